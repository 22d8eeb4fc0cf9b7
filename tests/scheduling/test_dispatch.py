"""What a node should hold now."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from machines.wire import Work
from scheduling.dispatch import work_for
from scheduling.log.models import Segment
from scheduling.reports import take
from tests.scheduling.house import NOON, batch, by, furnish, plan, printed, ready, small_profile, started

pytestmark = pytest.mark.django_db
DAY = timedelta(hours=24)


def work(horizon: timedelta = DAY) -> Work:
    return work_for("one", NOON, horizon, 60.0)


def test_without_a_run_there_is_nothing_to_print() -> None:
    furnish()
    found = work()
    assert (found.run, found.segments, found.plates, found.profile) == (None, (), (), small_profile())


def test_a_run_is_handed_out_up_to_the_horizon(tmp_path: Path) -> None:
    ready(tmp_path)
    found = work(timedelta(hours=5))
    assert found.run is not None
    assert found.run.id == "first"
    assert found.epoch == 1
    assert len(found.segments) == 11
    assert found.segments[0].first_column == found.run.first_column
    assert found.plates == (found.segments[0].plate,)


def test_work_survives_the_wire(tmp_path: Path) -> None:
    ready(tmp_path)
    found = work()
    assert Work.from_json(found.as_json()) == found


def test_a_reported_segment_is_not_offered_again_and_a_half_printed_one_is(tmp_path: Path) -> None:
    ready(tmp_path)
    first, second = Segment.objects.order_by("number")[:2]
    whole = printed(2, first.number, first.first_column, first.end_column, first.end_column - first.first_column)
    half = printed(3, second.number, second.first_column, second.first_column + 2, 2, place=4)
    take("one", batch(started(), whole, half), by())
    assert work().segments[0].number == second.number


def test_a_later_run_waits_for_the_one_before(tmp_path: Path) -> None:
    ready(tmp_path)
    plan(
        id="second",
        starts_at=(NOON + timedelta(hours=30)).isoformat(),
        ends_at=(NOON + timedelta(hours=31)).isoformat(),
    )
    found = work_for("one", NOON + timedelta(hours=30, minutes=10), DAY, 60.0)
    assert found.run is not None
    assert found.run.id == "first"
