"""Connections to the server: no read outlasts the call that it belongs to, and why one failed has a name."""

from __future__ import annotations

import errno
import http.client
import io
import socket
import ssl
import time
from collections.abc import Callable, Iterator
from typing import Any

import urllib3
from urllib3.connection import HTTPConnection, HTTPSConnection

from machines.node.sync.failures import FailureKind

CONNECT_LIMIT_S = 5.0
READ_LIMIT_S = 20.0
# Addresses that are nobody's (RFC 5737, RFC 3849); to connect to them by datagram sends nothing, but looks for a way.
_NOBODY = ((socket.AF_INET, "192.0.2.1"), (socket.AF_INET6, "2001:db8::1"))
_NO_WAY = (errno.ENETUNREACH, errno.EHOSTUNREACH, errno.ENETDOWN, errno.EHOSTDOWN, errno.EADDRNOTAVAIL)
# Verdicts of OpenSSL (X509_V_ERR_...): expired, not yet valid; another name, another address; no issuer that is known.
_VERDICTS: dict[int, FailureKind] = {
    10: "certificate-expired",
    9: "certificate-early",
    62: "certificate-host",
    64: "certificate-host",
    2: "certificate-issuer",
    18: "certificate-issuer",
    19: "certificate-issuer",
    20: "certificate-issuer",
    21: "certificate-issuer",
}
# What OpenSSL says of octets that are no TLS, by its versions.
_NO_TLS = ("WRONG_VERSION_NUMBER", "RECORD_LAYER_FAILURE", "PACKET_LENGTH_TOO_LONG", "UNKNOWN_PROTOCOL")


class Deadline:
    """Until when the call under way must be over. Real seconds: what is far away knows nothing of the board's clock."""

    def __init__(self, read_s: float = READ_LIMIT_S, now: Callable[[], float] = time.monotonic) -> None:
        """``read_s`` is how long anything may be waited for; ``now`` counts seconds and never steps."""
        self._read_s, self._now = read_s, now
        self._until_s = 0.0

    def begin(self, limit_s: float) -> None:
        """A call begins."""
        self._until_s = self._now() + limit_s

    @property
    def is_over(self) -> bool:
        """Whether the call has had its time."""
        return self._now() >= self._until_s

    def left_s(self) -> float:
        """How long the next read may take, seconds.

        Raises:
            TimeoutError: there is no time left.
        """
        left_s = self._until_s - self._now()
        if left_s <= 0:
            raise TimeoutError("the answer as a whole took too long")
        return min(left_s, self._read_s)


class _Timed(io.RawIOBase):
    """What comes over a connection, read under a deadline: a limit for each read is none for a peer that drips."""

    def __init__(self, raw: io.RawIOBase, connection: socket.socket, deadline: Deadline) -> None:
        super().__init__()
        self._raw, self._connection, self._deadline = raw, connection, deadline

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int | None:
        self._connection.settimeout(self._deadline.left_s())
        return self._raw.readinto(buffer)

    def close(self) -> None:
        self._raw.close()
        super().close()


def connections(deadline: Deadline, read_s: float = READ_LIMIT_S) -> urllib3.PoolManager:
    """Connections kept open from call to call, all of whose reads, heads of answers included, heed a deadline."""

    class Response(http.client.HTTPResponse):
        def __init__(self, sock: socket.socket, *args: Any, **kwargs: Any) -> None:
            super().__init__(sock, *args, **kwargs)
            self.fp = io.BufferedReader(_Timed(self.fp.detach(), sock, deadline))

    class Plain(HTTPConnection):
        response_class = Response

    class Secure(HTTPSConnection):
        response_class = Response

    class PlainPool(urllib3.HTTPConnectionPool):
        ConnectionCls = Plain

    class SecurePool(urllib3.HTTPSConnectionPool):
        ConnectionCls = Secure

    limits = urllib3.Timeout(connect=min(CONNECT_LIMIT_S, read_s), read=read_s)
    # Trying again is the exchange loop's business: it knows what is urgent, and it waits in the clock's seconds.
    manager = urllib3.PoolManager(timeout=limits, retries=False)
    manager.pool_classes_by_scheme = {"http": PlainPool, "https": SecurePool}
    return manager


def why(error: BaseException) -> FailureKind:
    """What a call failed of."""
    for one in _chain(error):
        kind = _kind(one)
        if kind is not None:
            return kind
    return "broke-off"


def _chain(error: BaseException) -> Iterator[BaseException]:
    """The error and what it came from, the first cause first."""
    found: list[BaseException] = []
    ahead: list[BaseException | None] = [error]
    while ahead:
        one = ahead.pop()
        if one is None or one in found:
            continue
        found.append(one)
        ahead += [one.__context__, one.__cause__, *(arg for arg in one.args if isinstance(arg, BaseException))]
    return reversed(found)


def _kind(error: BaseException) -> FailureKind | None:
    if isinstance(error, ssl.SSLCertVerificationError):
        return _VERDICTS.get(error.verify_code, "certificate")
    if isinstance(error, ssl.CertificateError):
        return "certificate-host"
    if isinstance(error, socket.gaierror):
        return "name" if has_way() else "network"
    if isinstance(error, TimeoutError | urllib3.exceptions.TimeoutError) and not _is_new_connection(error):
        return "silent"
    if isinstance(error, ssl.SSLError) and not isinstance(error, ssl.SSLEOFError | ssl.SSLZeroReturnError):
        return "plain" if error.reason in _NO_TLS else "certificate"
    if isinstance(error, ConnectionRefusedError):
        return "closed"
    if isinstance(error, OSError) and error.errno in _NO_WAY:
        return "network"
    return None


def _is_new_connection(error: BaseException) -> bool:
    """The library's refused connections are time limits by descent."""
    return isinstance(error, urllib3.exceptions.NewConnectionError)


def has_way() -> bool:
    """Whether the board has a route to the world, by its own tables; nothing is sent."""
    for family, address in _NOBODY:
        try:
            with socket.socket(family, socket.SOCK_DGRAM) as probe:
                probe.connect((address, 9))
        except OSError:
            continue
        return True
    return False
