"""Sending a webhook: one request, within bounds of time and size, and nowhere but where its address leads."""

from __future__ import annotations

import socket
import ssl
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from http.client import HTTPException
from threading import Timer

from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.exceptions import HTTPError

from server.telling.destinations import Destination, destination
from server.telling.failures import NotSent

# Between two octets, and in all, however slowly they come; once the name was looked up, which the system bounds.
PATIENCE_S, IN_ALL_S = 10.0, 20.0
GONE = 410


def send_hook(address: str, headers: Mapping[str, str], body: bytes, *, private: bool) -> None:
    """Send it; the other side has taken it once this returns. Of the answer only its status is read, and no redirection
    is followed.

    Args:
        address: of a recipient.
        headers: that sign it.
        body: JSON.
        private: whether private networks are allowed.

    Raises:
        NotSent: it was not taken, as far as is known.
    """
    where = destination(address, private=private)
    said = {**headers, "host": where.named, "content-type": "application/json", "user-agent": "dayroll"}
    try:
        with _connected(where) as connection:
            connection.request("POST", where.target, body, said, preload_content=False)
            status = connection.getresponse().status
    except (OSError, HTTPError, HTTPException, ValueError) as error:
        raise NotSent(f"{where.host} did not answer ({type(error).__name__})") from error
    if not 200 <= status < 300:
        raise NotSent(f"{where.host} answered with status {status}", for_good=status == GONE)


@contextmanager
def _connected(where: Destination) -> Iterator[HTTPConnection]:
    """To the address that was looked up, for so long and no longer. A certificate must be for the name."""
    connection = _connection(where)
    cut = Timer(IN_ALL_S, _cut_off, [connection])
    cut.daemon = True
    cut.start()
    try:
        connection.connect()
        yield connection
    finally:
        cut.cancel()
        connection.close()


def _connection(where: Destination) -> HTTPConnection:
    if where.scheme == "http":
        return HTTPConnection(where.connects_to, where.port, timeout=PATIENCE_S)
    context = ssl.create_default_context()
    return HTTPSConnection(
        where.connects_to, where.port, timeout=PATIENCE_S, ssl_context=context, server_hostname=where.host
    )


def _cut_off(connection: HTTPConnection) -> None:
    if connection.sock is not None:
        connection.sock.shutdown(socket.SHUT_RDWR)
