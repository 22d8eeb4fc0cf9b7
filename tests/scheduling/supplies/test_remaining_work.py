"""A run, counted, against its columns one by one."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from machines.model.profile import Knife
from machines.model.slots import boundaries
from scheduling.log.models import Run
from scheduling.paper.quiet_cuts import MOST_LOOKED_AT, most_together
from scheduling.supplies.remaining_work import NONE, RemainingColumns
from tests.scheduling.house import NOON, furnish, plan, run_timeline, small_profile

pytestmark = pytest.mark.django_db


def due_of(strips: int, knife_columns: int, waited_h: int = 0, next_column: int = 0) -> RemainingColumns:
    """Three days of 240 columns by a plain period, of which some columns at the beginning are accounted for."""
    if not Run.objects.exists():
        furnish()
        period = {"cycle": "period", "cycle_options": {"seconds": 86400, "epoch": NOON.isoformat()}}
        plan(ends_at=(NOON + timedelta(days=3)).isoformat(), **period)
    run = Run.objects.get()
    run.strips_per_turn, run.planned_to_column = strips, run.first_column + next_column
    run.shift_s, run.ends_at = 3600.0 * waited_h, run.ends_at + timedelta(hours=waited_h)
    run.shifts = [[run.first_column, run.shift_s]] if waited_h else []
    profile = small_profile()
    knife = Knife(head_to_knife_mm=knife_columns * profile.column_pitch_mm, cuts_per_blade=100)
    profile = replace(profile, knife=knife)
    return RemainingColumns(run=run, profile=profile, now=NOON, timeline_of=run_timeline, due=NONE)


@settings(suppress_health_check=(HealthCheck.function_scoped_fixture,), deadline=None, max_examples=60)
@given(
    strips=st.integers(0, 240),
    knife_columns=st.integers(0, 800),
    next_column=st.integers(0, 720),
    waited_h=st.integers(0, 30),
    at_h=st.integers(-5, 120),
)
def test_cuts_are_those_that_the_node_would_make(
    strips: int, knife_columns: int, next_column: int, waited_h: int, at_h: int
) -> None:
    due = due_of(strips, knife_columns, waited_h, next_column)
    first, end = due.run.first_column, due.run.end_column
    after = max(first, first + next_column - knife_columns) - 1
    expected = boundaries(after, end - knife_columns - 1, 240, strips)
    assert [due.boundary(number) for number in range(len(due.cuts))] == expected
    at = NOON + timedelta(hours=at_h)
    column = due.first_column_from(at)
    instants = due.instants(np.arange(first, end))
    assert column == first + int(np.searchsorted(instants, at.timestamp()))
    assert due.cuts_before(column) == sum(boundary + knife_columns < column for boundary in expected)


def test_a_century_of_cuts_is_counted_and_none_of_them_looked_at() -> None:
    """Nobody has memory for a list of them."""
    due = due_of(strips=240, knife_columns=20)
    due.run.end_column = due.run.first_column + 240 * 36525 * 1000
    assert len(due.cuts) == 240 * 36525 * 1000 - 20
    assert due.boundary(len(due.cuts) - 1) == due.run.end_column - 21
    assert due.first_column_from(datetime(2026, 10, 25, 12, tzinfo=UTC)) == due.run.first_column + 240


def test_what_comes_to_the_knife_in_quiet_hours_is_not_cut_and_what_comes_after_is() -> None:
    """Twelve strips a day, whose ends come to the knife twenty columns later, with the burst that fills the way."""
    loud = due_of(strips=12, knife_columns=20)
    night = (NOON + timedelta(hours=10), NOON + timedelta(hours=19))
    due = replace(loud, quiet=lambda start, end: (night,) if start < night[1] and night[0] < end else ())
    boundaries_of = [[one.boundary(number) for number in range(len(one.cuts))] for one in (loud, due)]
    come = loud.instants([(boundary + 19) // 4 * 4 for boundary in boundaries_of[0]])
    quiet = (come >= night[0].timestamp()) & (come < night[1].timestamp())
    assert 4 <= quiet.sum() <= 5
    assert boundaries_of[1] == [boundary for boundary, held in zip(boundaries_of[0], quiet, strict=True) if not held]
    assert most_together(due.held) == 1 + quiet.sum()
    assert due.cuts_before(due.run.end_column) == len(due.cuts) == len(loud.cuts) - quiet.sum()
    through, to = (due.cuts_before(due.first_column_from(at)) for at in night)
    assert 0 <= to - through <= 1 and through, "the whole burst counts as laid where one of its columns is"


def test_of_a_century_only_the_first_years_are_held_against_quiet_hours() -> None:
    due = replace(due_of(strips=240, knife_columns=20), quiet=lambda start, end: ((start, end),))
    due.run.end_column = due.run.first_column + 240 * 36525 * 1000
    assert len(due.held) == MOST_LOOKED_AT and due.held.all()
    assert len(due.cuts) == 240 * 36525 * 1000 - 20 - MOST_LOOKED_AT
    assert due.boundary(0) == due.run.first_column + MOST_LOOKED_AT
    assert due.cuts[-1] == due.strips[-1]
    assert due.cuts[:2] == list(due.strips[MOST_LOOKED_AT : MOST_LOOKED_AT + 2])
