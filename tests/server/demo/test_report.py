"""What the demonstration has the server's own commands say of its log can break, too."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from machines.clock import CompressedClock
from server.demo.mail_receiver import MailReceiver
from server.demo.processes import Studio
from server.demo.receiver import Receiver
from server.demo.report import log_command
from server.demo.scenario import CLOCK_BEGINS
from server.demo.server_parts import embedded
from server.demo.stage import Stage
from tests.server.processes import run


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    """A server that was set up, and has a key of the studio's in its log."""
    clock = CompressedClock(time.clock_gettime(time.CLOCK_BOOTTIME), CLOCK_BEGINS.timestamp(), 1.0)
    served = embedded(tmp_path, clock, {})
    for command in (["migrate"], ["studio-key", "demo"]):
        assert run(command, {"DAYROLL_HOME": str(tmp_path / "server")}).returncode == 0
    built = Stage(tmp_path, clock, Studio(served.address, ""), served, Receiver(), MailReceiver())
    yield built
    built.close()


def test_a_log_that_is_whole_keeps_its_promises(stage: Stage) -> None:
    for command in ("verify", "rebuild"):
        assert log_command(stage, "kept", command).holds


def test_a_link_that_does_not_hold_breaks_its_promise(stage: Stage) -> None:
    with closing(sqlite3.connect(stage.folder / "server" / "dayroll.sqlite3", isolation_level=None)) as database:
        for (trigger,) in database.execute("SELECT name FROM sqlite_schema WHERE type = 'trigger'").fetchall():
            database.execute(f"DROP TRIGGER {trigger}")
        assert database.execute("UPDATE log_event SET actor = 'nobody'").rowcount
    found = log_command(stage, "log-unbroken", "verify")
    assert not found.holds
    assert "Broken" in found.measured["said"]
