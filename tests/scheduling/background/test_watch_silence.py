"""Silence opens a watch and ends when the node is heard again; it is never a gap."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from scheduling.background.watch_silence import watch_silence
from scheduling.commands.additions import AddMachine
from scheduling.log.models import Event, Heartbeat, Machine, Notice, Run
from tests.scheduling.house import NOON, order, ready

pytestmark = pytest.mark.django_db
QUARTER = timedelta(minutes=15)


def heard(minutes: int) -> None:
    Heartbeat.objects.update_or_create(
        machine_id="one", defaults={"heard_at": NOON + timedelta(minutes=minutes), "status": {}}
    )


def test_a_machine_with_a_run_due_that_was_never_heard_is_told_of_once_and_until_it_is(tmp_path: Path) -> None:
    ready(tmp_path)
    (run,) = Run.objects.all()
    assert watch_silence(run.starts_at + QUARTER, QUARTER) == 0
    assert watch_silence(run.starts_at + QUARTER + timedelta(seconds=1), QUARTER) == 1
    assert watch_silence(run.starts_at + timedelta(hours=1), QUARTER) == 0
    assert Machine.objects.get().silent_since == run.starts_at
    (notice,) = Notice.objects.all()
    assert notice.kind == "silence"
    assert notice.said == (
        "a run is due on it since 2026-10-24 12:00 UTC, and it was never heard: its board is enrolled, but its agent"
        " was never begun"
    )
    heard(60)
    assert watch_silence(NOON + timedelta(minutes=61), QUARTER) == 1
    notice.refresh_from_db()
    assert (Machine.objects.get().silent_since, notice.cleared_at) == (None, NOON + timedelta(minutes=61))


def test_a_machine_without_a_board_is_told_of_as_such(tmp_path: Path) -> None:
    ready(tmp_path)
    Machine.objects.update(epoch=0)
    assert watch_silence(NOON + timedelta(hours=9), QUARTER) == 1
    assert "it was never heard: no board is enrolled for it" in Notice.objects.get().said


def test_a_server_that_was_away_itself_tells_of_no_silence_before_it_has_listened_for_so_long(tmp_path: Path) -> None:
    ready(tmp_path)
    heard(5)
    back = NOON + timedelta(hours=9)
    assert watch_silence(back, QUARTER, back) == watch_silence(back + QUARTER, QUARTER, back) == 0
    assert watch_silence(back + timedelta(minutes=16), QUARTER, back) == 1
    heard(9 * 60 + 20)
    again = NOON + timedelta(hours=9, minutes=21)
    assert watch_silence(again, QUARTER, again) == 1, "that one is heard again is told at once"


def test_a_machine_that_has_nothing_due_need_not_be_heard(tmp_path: Path) -> None:
    ready(tmp_path, starts_at=(NOON + timedelta(days=3)).isoformat(), ends_at=(NOON + timedelta(days=4)).isoformat())
    assert watch_silence(NOON + timedelta(hours=9), QUARTER) == 0


def test_of_machines_that_are_heard_nothing_more_is_read(tmp_path: Path) -> None:
    ready(tmp_path)
    for id in ("two", "three"):
        order(AddMachine, id=id, name=id, venue="shed", profile="small")
        Heartbeat.objects.create(machine_id=id, heard_at=NOON, status={})
    heard(0)
    with CaptureQueriesContext(connection) as asked:
        assert watch_silence(NOON + timedelta(minutes=14), QUARTER) == 0
    assert len(asked) == 3  # which views are set aside, what was heard, and the machines


def test_silence_begins_once_and_ends_when_the_node_is_heard(tmp_path: Path) -> None:
    ready(tmp_path)
    heard(5)
    assert watch_silence(NOON + timedelta(minutes=19), QUARTER) == 0
    assert watch_silence(NOON + timedelta(minutes=21), QUARTER) == 1
    assert watch_silence(NOON + timedelta(minutes=22), QUARTER) == 0
    assert Machine.objects.get().silent_since == NOON + timedelta(minutes=5)
    heard(65)
    assert watch_silence(NOON + timedelta(minutes=66), QUARTER) == 1
    assert Machine.objects.get().silent_since is None
    assert Event.objects.get(kind="silence-ended").data["silent_s"] == 3600


def test_silence_leaves_no_gap(tmp_path: Path) -> None:
    ready(tmp_path)
    heard(5)
    watch_silence(NOON + timedelta(hours=9), QUARTER)
    run = Run.objects.get()
    assert (run.skipped, run.unknown) == (0, 0)


def test_a_machine_without_work_may_be_silent(tmp_path: Path) -> None:
    ready(tmp_path, starts_at=(NOON + timedelta(days=3)).isoformat(), ends_at=(NOON + timedelta(days=4)).isoformat())
    heard(5)
    assert watch_silence(NOON + timedelta(hours=9), QUARTER) == 0


def test_a_server_that_was_put_back_from_the_log_knows_when_the_machine_was_last_heard(tmp_path: Path) -> None:
    """What a node said with its polls is not in the log; that it reported is."""
    ready(tmp_path)
    Machine.objects.update(last_reported_at=NOON + timedelta(minutes=5))
    assert watch_silence(NOON + timedelta(minutes=21), QUARTER) == 1
    assert Machine.objects.get().silent_since == NOON + timedelta(minutes=5)
    assert "no word since 2026-10-24 12:05 UTC" in Notice.objects.get().said
