"""Whatever may listen where the server is thought to be: sockets of the loopback, with TLS or without."""

from __future__ import annotations

import socket
import ssl
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager

Serve = Callable[[socket.socket], None]


@contextmanager
def listening(serve: Serve | None) -> Iterator[int]:
    """Accept connections one after the other, and close each once it is served; or let them wait. The port."""
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def accept() -> None:
            while True:
                try:
                    connection, _ = listener.accept()
                except OSError:  # it was shut down
                    return
                with connection:
                    if serve is not None:
                        serve(connection)

        if serve is not None:
            threading.Thread(target=accept, daemon=True).start()
        yield listener.getsockname()[1]
        listener.shutdown(socket.SHUT_RDWR)


def over_tls(context: ssl.SSLContext, octets: Callable[[], Iterable[bytes]]) -> Serve:
    """Whatever is asked, send octets over TLS."""

    def serve(connection: socket.socket) -> None:
        try:
            with context.wrap_socket(connection, server_side=True) as safe:
                safe.recv(65_536)
                for some in octets():
                    safe.sendall(some)
        except OSError:  # the board does not go on with it
            return

    return serve
