"""The words to the service manager."""

from __future__ import annotations

import socket
from collections.abc import Callable
from pathlib import Path

import pytest

from machines.node.systemd import ALIVE, READY, SOCKET_VARIABLE, STOPPING, teller
from tests.machines.node.test_end_to_end import PATIENCE_S, Bench, make_bench

__all__ = ["make_bench"]  # the fixture


def hearing(address: str) -> socket.socket:
    manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    manager.bind(address)
    manager.settimeout(PATIENCE_S)
    return manager


@pytest.mark.parametrize("abstract", [False, True])
def test_the_manager_hears_a_word(tmp_path: Path, abstract: bool) -> None:
    given = f"@dayroll-test-{tmp_path.name}" if abstract else str(tmp_path / "notify")
    with hearing("\0" + given[1:] if abstract else given) as manager:
        teller({SOCKET_VARIABLE: given})(READY)
        assert manager.recv(100) == b"READY=1"


def test_without_a_manager_and_with_a_deaf_one_it_goes_on(tmp_path: Path) -> None:
    teller({})(READY)
    tell = teller({SOCKET_VARIABLE: str(tmp_path / "nobody")})
    tell(READY)
    with hearing(str(tmp_path / "nobody")) as manager:  # it hears again
        tell(ALIVE)
        assert manager.recv(100).decode() == ALIVE


def test_the_node_says_that_it_is_ready_alive_and_stopping(make_bench: Callable[..., Bench], tmp_path: Path) -> None:
    bench = make_bench()
    with hearing(str(tmp_path / "notify")) as manager:
        bench.environ[SOCKET_VARIABLE] = str(tmp_path / "notify")
        agent = bench.start()
        heard = [manager.recv(100).decode() for _ in range(8)]
        assert set(heard) == {READY, ALIVE}
        bench.stop(agent)
        while heard[-1] != STOPPING:
            heard.append(manager.recv(100).decode())
