"""Silence opens a watch and ends when the node is heard again; it is never a gap."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from scheduling.log.models import Event, Heartbeat, Machine, Run
from scheduling.watch import watch_silence
from tests.scheduling.house import NOON, ready

pytestmark = pytest.mark.django_db
QUARTER = timedelta(minutes=15)


def heard(minutes: int) -> None:
    Heartbeat.objects.update_or_create(
        machine_id="one", defaults={"heard_at": NOON + timedelta(minutes=minutes), "status": {}}
    )


def test_a_machine_that_never_spoke_is_not_silent(tmp_path: Path) -> None:
    ready(tmp_path)
    assert watch_silence(NOON + timedelta(hours=9), QUARTER) == 0


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
