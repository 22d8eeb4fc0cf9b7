"""Columns that are left out of a run's recesses, counted against the columns one by one."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from machines.serialization import format_instant
from scheduling.log.models import Run, Venue
from scheduling.supplies.left_out import columns_in, left_out
from scheduling.supplies.remaining_work import RemainingColumns
from tests.scheduling.house import NOON, furnish, plan, run_timeline, small_profile

pytestmark = pytest.mark.django_db
DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
OPEN = {"week": {day: [{"opens": "10:00", "closes": "18:00"}] for day in DAYS}, "dates": []}
SKIP = {"kind": "skip", "within": None, "half_printed": "as-the-rest", "only_while_closed": False, "by_cause": []}


def run_held(*spans_h: tuple[float, float | None], **policy: Any) -> Run:
    """Three days of 240 columns by a plain period, held from hour to hour."""
    if not Run.objects.exists():
        furnish()
        period = {"cycle": "period", "cycle_options": {"seconds": 86400, "epoch": NOON.isoformat()}}
        plan(ends_at=(NOON + timedelta(days=3)).isoformat(), **period)
    run = Run.objects.get()
    run.policy = SKIP | policy
    run.holds = [
        {
            "starts_at": format_instant(NOON + timedelta(hours=first)),
            "ends_at": None if end is None else format_instant(NOON + timedelta(hours=end)),
            "by": "somebody",
        }
        for first, end in spans_h
    ]
    return run


def out_of(run: Run, now_h: float = 0.0, hours: Any = None) -> tuple[tuple[int, int], ...]:
    venue = Venue.objects.get()
    venue.hours = hours
    found = left_out(run, small_profile(), run_timeline, venue, NOON + timedelta(hours=now_h))
    return tuple((first - run.first_column, end - run.first_column) for first, end in found)


@pytest.mark.parametrize(
    ("spans_h", "policy", "expected"),
    [
        # A burst is four columns: that of 28 began before three.
        (((3, 6),), {}, ((32, 60),)),
        (((3, 6), (5, 8)), {}, ((32, 80),)),
        (((-9, 6), (70, 90)), {}, ((0, 60), (700, 720))),
        (((3, None),), {}, ()),
        (((3, 6),), {"kind": "blank"}, ()),
        (((3, 6),), {"kind": "replay"}, ()),
        (((3, 6),), {"kind": "shift"}, ()),
        (((3, 6),), {"kind": "replay-within", "within": {"value": 1.0, "unit": "hours"}}, ((32, 52),)),
        (((3, 6),), {"kind": "replay-within", "within": {"value": 5.0, "unit": "hours"}}, ()),
        (((3, 6),), {"by_cause": [{"causes": ["held"], "rule": SKIP | {"kind": "blank"}}]}, ()),
    ],
)
def test_what_is_left_out_is_what_the_policy_prints_nowhere(spans_h: Any, policy: Any, expected: Any) -> None:
    if policy.get("by_cause"):
        policy["by_cause"][0]["rule"].pop("by_cause")
    assert out_of(run_held(*spans_h, **policy)) == expected


def test_what_is_over_is_not_counted_any_more() -> None:
    assert out_of(run_held((3, 6)), now_h=4.0) == ((40, 60),)
    assert out_of(run_held((3, 6)), now_h=7.0) == ()


def test_closed_hours_are_left_out_of_a_run_that_is_printed_only_while_open() -> None:
    run = run_held()
    assert out_of(run, hours=OPEN) == ()
    run.only_while_open = True
    assert out_of(run, hours=None) == ()
    an_hour = 10  # by which a night is longer or shorter in which clocks change
    assert sum(end - first for first, end in out_of(run, hours=OPEN)) == pytest.approx(480, abs=an_hour)


@settings(suppress_health_check=(HealthCheck.function_scoped_fixture,), deadline=None, max_examples=60)
@given(
    spans=st.lists(st.tuples(st.integers(-5, 80), st.integers(1, 30)), max_size=4),
    planned=st.integers(0, 720),
    number=st.integers(0, 800),
)
def test_columns_to_come_are_those_that_are_not_left_out(
    spans: list[tuple[int, int]], planned: int, number: int
) -> None:
    run = run_held(*((first, first + hours) for first, hours in spans))
    run.planned_to_column = run.first_column + planned
    found = left_out(run, small_profile(), run_timeline, Venue.objects.get(), NOON)
    out = {column for first, end in found for column in range(first, end)}
    is_open = [column for column in range(run.first_column, run.end_column) if column not in out]
    due = np.array([column for column in is_open if column < run.planned_to_column], dtype=np.int64)
    ahead = RemainingColumns(
        run=run, profile=small_profile(), now=NOON, timeline_of=run_timeline, due=due, left_out=found
    )
    assert len(due) + ahead.unplanned == len(is_open)
    if number < len(is_open):
        assert ahead.column_to_come(number) == is_open[number]
        column = is_open[number]
        assert len(due[due < column]) + ahead.unplanned_before(column) == number
    else:
        assert ahead.column_to_come(number) >= run.end_column
    assert columns_in(found, run.first_column, run.end_column) == len(out)
