"""A worker that is killed while it sends: what it was at is sent by another, under the same id, and nothing else is."""

from __future__ import annotations

import os
import signal
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.server.processes import PATIENCE_S, process
from tests.server.telling.receivers import HookReceiver, hook_receiver

NOW = datetime(2026, 3, 20, 12, tzinfo=UTC)

FURNISH = """
import sys, django
django.setup()
from datetime import datetime
from django.core.management import call_command
from scheduling.log.beside_telling import keep_recipients
from scheduling.telling.asking import send_test
from machines.chance import SYSTEM
call_command("migrate", verbosity=0)
keep_recipients({"recipients": [{"id": "pager", "role": "technician", "webhook": sys.argv[1]}]})
send_test("pager", datetime.fromisoformat(sys.argv[2]), SYSTEM)
"""
SEND = """
import sys, django
django.setup()
from datetime import datetime
from machines.chance import SYSTEM
from server.telling.delivery import send_due
print("sent", send_due(lambda: datetime.fromisoformat(sys.argv[1]), SYSTEM))
"""


def run(script: str, environment: dict[str, str], log: Path, *said: str) -> str:
    with process(["-c", script, *said], environment, log) as one:
        assert one.wait(PATIENCE_S) == 0, log.read_text()
    return log.read_text()


def send(environment: dict[str, str], log: Path, at: datetime) -> str:
    return run(SEND, environment, log, at.isoformat())


def test_what_a_killed_worker_was_at_is_sent_by_another_under_the_same_id(tmp_path: Path) -> None:
    environment = {
        "DAYROLL_HOME": str(tmp_path / "home"),
        "DAYROLL_PRIVATE_HOOKS": "1",
        "DJANGO_SETTINGS_MODULE": "server.settings",
    }
    with hook_receiver() as receiver:
        run(FURNISH, environment, tmp_path / "furnish.log", receiver.address, NOW.isoformat())
        kill_while_it_sends(environment, tmp_path / "killed.log", receiver)
        (first,) = receiver.ids
        assert "sent 0" in send(environment, tmp_path / "soon.log", NOW + timedelta(minutes=2))
        assert "sent 1" in send(environment, tmp_path / "later.log", NOW + timedelta(minutes=2, seconds=1))
        assert receiver.ids == [first, first]
        assert "sent 0" in send(environment, tmp_path / "again.log", NOW + timedelta(hours=1))
        assert receiver.ids == [first, first]


def kill_while_it_sends(environment: dict[str, str], log: Path, receiver: HookReceiver) -> None:
    """The other side has all of it, and has not said so."""
    receiver.answering.clear()
    with process(["-c", SEND, NOW.isoformat()], environment, log) as one:
        assert receiver.asked.wait(PATIENCE_S), log.read_text()
        os.kill(one.pid, signal.SIGKILL)
        one.wait(PATIENCE_S)
    receiver.answering.set()
