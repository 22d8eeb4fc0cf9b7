"""The words to the service manager, and the unit that asks for them."""

from __future__ import annotations

import shutil
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from machines.node.service import ALIVE, READY, SOCKET_VARIABLE, STOPPING, teller
from tests.machines.node.test_end_to_end import PATIENCE_S, Bench, make_bench

__all__ = ["make_bench"]  # the fixture
UNIT = Path(__file__).parents[3] / "docker" / "dayroll-node.service"
ANALYSE = shutil.which("systemd-analyze")
needs_systemd = pytest.mark.skipif(ANALYSE is None, reason="needs systemd-analyze, of the system package systemd")
# Of systemd-analyze security, in tenths: 0 exposes nothing, 100 all. The unit stands at 18.
MOST_EXPOSED = 25


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


def checked_unit(folder: Path) -> Path:
    """The unit, with a program in its place that is there."""
    unit = folder / UNIT.name
    unit.write_text(
        UNIT.read_text().replace("/opt/dayroll/bin/dayroll-node run", f"{sys.executable} -m machines.node run")
    )
    return unit


@needs_systemd
def test_the_unit_is_verified(tmp_path: Path) -> None:
    command = [str(ANALYSE), "verify", "--man=no", str(checked_unit(tmp_path))]
    done = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    about_ours = [line for line in done.stderr.splitlines() if "dayroll-node" in line]
    assert (done.returncode, about_ours) == (0, []), done.stderr


@needs_systemd
def test_the_unit_exposes_little(tmp_path: Path) -> None:
    options = ["security", "--offline=yes", f"--threshold={MOST_EXPOSED}", "--no-pager"]
    command = [str(ANALYSE), *options, str(checked_unit(tmp_path))]
    done = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Overall exposure level" in done.stdout


@needs_systemd
def test_the_judge_of_units_can_say_no(tmp_path: Path) -> None:
    bad = checked_unit(tmp_path)
    bad.write_text(bad.read_text().replace("Type=notify", "Type=sundial"))
    command = [str(ANALYSE), "verify", "--man=no", str(bad)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    assert "sundial" in done.stderr


def test_the_unit_never_resumes_unattended_by_itself() -> None:
    (start,) = [line for line in UNIT.read_text().splitlines() if line.startswith("ExecStart=")]
    assert "--resume-unattended" not in start
