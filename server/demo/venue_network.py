"""The network of a venue, as its node sees it: what passes through it to the server, until it is gone."""

from __future__ import annotations

import contextlib
import socket
import threading

from server.demo.processes import PATIENCE_S

AT_ONCE = 65536


class VenueNetwork:
    """Passes connections on to a server's port on loopback; while it is gone, none comes about and none goes on."""

    def __init__(self, port: int) -> None:
        """Begin to pass connections on to a port."""
        self._port, self._is_gone = port, False
        self._open: set[socket.socket] = set()
        self._lock = threading.Lock()
        self._listens = socket.create_server(("127.0.0.1", 0))
        threading.Thread(target=self._listen, daemon=True).start()

    @property
    def address(self) -> str:
        """The server's, as it is known behind this network."""
        return f"http://127.0.0.1:{self._listens.getsockname()[1]}"

    def go(self) -> None:
        """It is gone, and every connection with it."""
        with self._lock:
            self._is_gone = True
            for one in self._open:
                with contextlib.suppress(OSError):
                    one.shutdown(socket.SHUT_RDWR)

    def come_back(self) -> None:
        """It is there again."""
        with self._lock:
            self._is_gone = False

    def close(self) -> None:
        """For good."""
        self.go()
        with contextlib.suppress(OSError):
            self._listens.shutdown(socket.SHUT_RDWR)
        self._listens.close()

    def _listen(self) -> None:
        with contextlib.suppress(OSError):  # it was closed
            while True:
                caller, _ = self._listens.accept()
                threading.Thread(target=self._connect, args=(caller,), daemon=True).start()

    def _connect(self, caller: socket.socket) -> None:
        with caller, contextlib.suppress(OSError), self._to_server() as called:
            with self._lock:
                if self._is_gone:
                    return
                self._open |= {caller, called}
            back = threading.Thread(target=_pass_on, args=(called, caller), daemon=True)
            back.start()
            _pass_on(caller, called)
            back.join()
            with self._lock:
                self._open -= {caller, called}

    def _to_server(self) -> socket.socket:
        return socket.create_connection(("127.0.0.1", self._port), PATIENCE_S)


def _pass_on(source: socket.socket, target: socket.socket) -> None:
    """All that comes, and that it ends."""
    with contextlib.suppress(OSError):
        while octets := source.recv(AT_ONCE):
            target.sendall(octets)
    for one in (source, target):
        with contextlib.suppress(OSError):
            one.shutdown(socket.SHUT_RDWR)
