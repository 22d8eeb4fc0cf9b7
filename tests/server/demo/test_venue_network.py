"""The network that a demonstration takes away from a node: it passes everything on, or nothing."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator

import pytest

from server.demo.processes import free_port
from server.demo.venue_network import VenueNetwork


@pytest.fixture
def echo() -> Iterator[int]:
    """The port of a server that says back what it is told."""
    listens = socket.create_server(("127.0.0.1", 0))

    def answer(caller: socket.socket) -> None:
        with caller:
            while said := caller.recv(100):
                caller.sendall(said)

    def listen() -> None:
        while True:
            try:
                caller, _ = listens.accept()
            except OSError:
                return
            threading.Thread(target=answer, args=(caller,), daemon=True).start()

    threading.Thread(target=listen, daemon=True).start()
    yield listens.getsockname()[1]
    listens.shutdown(socket.SHUT_RDWR)
    listens.close()


def called(network: VenueNetwork) -> socket.socket:
    return socket.create_connection(("127.0.0.1", int(network.address.rpartition(":")[2])), 10.0)


def said_back(connection: socket.socket, said: bytes) -> bytes:
    """Nothing where the connection has ended."""
    try:
        connection.sendall(said)
        return connection.recv(100)
    except ConnectionError:
        return b""


def test_it_passes_on_until_it_is_gone_and_again_once_it_is_back(echo: int) -> None:
    network = VenueNetwork(echo)
    with called(network) as before:
        assert said_back(before, b"one") == b"one"
        network.go()
        assert said_back(before, b"two") == b""
    with called(network) as meanwhile:
        assert said_back(meanwhile, b"three") == b""
    network.come_back()
    with called(network) as after:
        assert said_back(after, b"four") == b"four"
    network.close()
    with pytest.raises(OSError):
        called(network)


def test_a_server_that_is_not_there_ends_the_connection() -> None:
    network = VenueNetwork(free_port())
    with called(network) as connection:
        assert said_back(connection, b"one") == b""
    network.close()
