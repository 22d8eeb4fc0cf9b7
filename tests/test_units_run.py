"""What the units for systemd start is run as a process, with their own variables and words, until it is ready by the
unit's own measure, and told to end."""

from __future__ import annotations

import os
import shlex
import socket
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from machines.node.systemd import ALIVE, READY, SOCKET_VARIABLE, STOPPING
from tests.machines.node.relay import line_profile
from tests.machines.node.test_serial_node import serial_bench
from tests.server.processes import PATIENCE_S, wait_for_line
from tests.server.serving.test_serve import ask

ROOT = Path(__file__).parents[1]
PROGRAMS = {"/opt/dayroll/bin/": f"{Path(sys.executable).parent}/"}


def unit(name: str) -> dict[str, list[str]]:
    """What a unit says, by the words before the equals sign, but for its comments."""
    said: dict[str, list[str]] = {}
    for line in (ROOT / "docker" / f"{name}.service").read_text().splitlines():
        key, is_said, value = line.partition("=")
        if is_said and not line.startswith("#"):
            said.setdefault(key, []).append(value)
    return said


def placed(text: str, places: Mapping[str, str]) -> str:
    """A text of a unit with places of this computer; each of them stands there."""
    for there, here in places.items():
        assert there in text, there
        text = text.replace(there, here)
    return text


@contextmanager
def started(words: list[str], environ: Mapping[str, str], log: Path) -> Iterator[subprocess.Popen[bytes]]:
    with log.open("wb") as out:
        child = subprocess.Popen(words, env=dict(environ), cwd=log.parent, stdout=out, stderr=out)
    try:
        yield child
    finally:
        child.kill()
        child.wait()


def test_the_servers_unit_starts_a_server_that_is_ready(tmp_path: Path) -> None:
    said, home = unit("dayroll-server"), {"/var/lib/dayroll-server": f"{tmp_path}/home"}
    (start,), (variable,) = said["ExecStart"], said["Environment"]
    name, _, value = placed(variable, home).partition("=")
    assert "Type" not in said, "it is ready when it answers, and tells nobody"
    # Its usual port may be somebody else's here.
    words = [*shlex.split(placed(start, PROGRAMS)), "--port", "0"]
    ours = {key: text for key, text in os.environ.items() if not key.startswith("DAYROLL_")}
    log = tmp_path / "log"
    with started(words, ours | {name: value}, log) as child:
        address = wait_for_line(child, log, "Dayroll is at").split()[-1]
        assert ask(address, "GET", "readyz") == (200, b"ready\n")
        child.terminate()
        assert child.wait(PATIENCE_S) == 0, log.read_text()
    assert (tmp_path / "home" / "dayroll.sqlite3").exists() and "Traceback" not in log.read_text()


def test_the_nodes_unit_starts_a_node_that_tells_its_manager_how_it_is(tmp_path: Path) -> None:
    said = unit("dayroll-node")
    (start,) = said["ExecStart"]
    assert (said["Type"], said["WatchdogSec"]) == (["notify"], ["60"])
    manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    manager.settimeout(PATIENCE_S)
    with serial_bench(tmp_path, line_profile()) as (bench, device), manager:
        manager.bind(f"\0dayroll-test-{os.getpid()}")
        places = {"/var/lib/dayroll-node": str(bench.home), "/dev/ttyACM0": str(device)}
        words = shlex.split(placed(start, PROGRAMS | places))
        environ = bench.environ | {SOCKET_VARIABLE: f"@dayroll-test-{os.getpid()}"}
        log = tmp_path / "log"
        with started(words, environ, log) as child:
            told = [manager.recv(100).decode()]
            while told[-1] != READY:  # a sign of life may be sooner
                assert told[-1] == ALIVE
                told.append(manager.recv(100).decode())
            assert manager.recv(100).decode() == ALIVE
            child.terminate()
            assert child.wait(PATIENCE_S) == 0, log.read_text()
        told = [manager.recv(100).decode()]
        while told[-1] != STOPPING:
            told.append(manager.recv(100).decode())
        assert set(told[:-1]) <= {ALIVE}
    assert "Traceback" not in log.read_text()
