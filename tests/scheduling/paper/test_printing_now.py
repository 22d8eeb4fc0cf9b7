"""What is due under a head, and when a head counts as late."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from scheduling.log.models import Heartbeat, Machine, Run, Segment
from scheduling.paper.printing_now import PrintingNow, due_column, late_head, printing_now
from scheduling.queries.machine_context import machine_context
from scheduling.queries.runs import run_instants
from tests.scheduling.house import NOON, furnish, plan, ready, run_timeline, small_profile

pytestmark = pytest.mark.django_db


def now_at(at: datetime) -> PrintingNow | None:
    return printing_now(machine_context(Machine.objects.get(), at))


def test_the_column_whose_instant_came_last_is_due(tmp_path: Path) -> None:
    ready(tmp_path)
    segment, run = Segment.objects.order_by("number")[3], Run.objects.get()
    before, after = (NOON + timedelta(seconds=s) for s in (-1.0, 1.0))
    at = run_instants(run, [segment.first_column + 2], run_timeline(run))[0] - NOON.timestamp()
    assert due_column(segment, before + timedelta(seconds=at)) == segment.first_column + 1
    assert due_column(segment, after + timedelta(seconds=at)) == segment.first_column + 2


def test_what_a_timeline_has_waited_is_waited_for() -> None:
    furnish()
    segment = Segment(first_column=0, end_column=4, ends_at=NOON + timedelta(hours=3), knots=[])
    segment.number, segment.plate = 0, ""
    segment.knots = [NOON.isoformat(), (NOON + timedelta(hours=2)).isoformat()]
    assert due_column(segment, NOON + timedelta(minutes=89)) == 0
    assert due_column(segment, NOON + timedelta(minutes=91)) == 1


@pytest.mark.parametrize(("behind", "is_late"), [(0, False), (9, False), (10, True), (40, True)])
def test_a_head_is_late_by_more_than_two_bursts(behind: int, is_late: bool) -> None:
    """A burst has four columns: one is being laid, and one was told of last."""
    run = Run(first_column=0, end_column=240, mean_turn_s=86400.0)
    heard = Heartbeat(heard_at=NOON, status={"next_column": 100 - behind})
    assert late_head(run, small_profile(), heard, 100, NOON) == (100 - behind if is_late else None)


def test_what_was_due_when_it_was_heard_of_counts() -> None:
    run = Run(first_column=0, end_column=240, mean_turn_s=86400.0)
    heard = Heartbeat(heard_at=NOON - timedelta(hours=4), status={"next_column": 60})
    assert late_head(run, small_profile(), heard, 100, NOON) is None


def test_a_head_of_which_nothing_is_known_or_that_is_elsewhere_is_not_late() -> None:
    run = Run(first_column=50, end_column=240, mean_turn_s=86400.0)
    assert late_head(run, small_profile(), None, 100, NOON) is None
    for said in ({}, {"next_column": 49}, {"next_column": 240}):
        assert late_head(run, small_profile(), Heartbeat(heard_at=NOON, status=said), 100, NOON) is None


def test_before_and_after_a_run_nothing_is_due_and_its_first_plate_is_shown(tmp_path: Path) -> None:
    ready(tmp_path)
    plate = Segment.objects.order_by("number")[0].plate
    for at in (NOON - timedelta(hours=1), NOON + timedelta(hours=31)):
        found = now_at(at)
        assert found is not None
        assert (found.due, found.segment, found.head, found.plate) == (None, None, None, plate)
        assert not found.has_begun


def test_a_machine_without_a_run_prints_nothing() -> None:
    furnish()
    assert now_at(NOON) is None


def test_a_run_that_is_not_planned_yet_has_no_plate() -> None:
    furnish()
    plan()
    found = now_at(NOON + timedelta(hours=1))
    assert found is not None
    assert (found.due, found.plate) == (None, None)


def test_a_line_head_is_late_by_more_than_two_columns() -> None:
    profile = replace(small_profile(), columns_per_burst=1)
    run = Run(first_column=0, end_column=240, mean_turn_s=86400.0)
    late = [late_head(run, profile, Heartbeat(heard_at=NOON, status={"next_column": n}), 100, NOON) for n in (97, 96)]
    assert late == [None, 96]
