"""What comes next under the head, and when."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from machines.model.profile import Profile
from machines.node.work.bursts import first_after, instant_of, is_late, next_burst
from machines.node.work.held_work import HeldWork
from machines.recovery import Policy
from tests.machines.node.relay import carriage_profile, line_profile
from tests.machines.node.rig import NOON, HandClock, make_studio

COLUMN_S = 120.0
# So many columns late are no outage yet.
STUMBLE = 4
profiles = st.sampled_from([line_profile(), carriage_profile(), carriage_profile(columns_per_burst=7)])


def held(profile: Profile | None = None, first: int = 0, columns: int = 720, only: slice = slice(None)) -> HeldWork:
    """Everything of a run whose first column belongs under the head at noon."""
    studio = make_studio(HandClock(), profile=profile, first_column=first, columns=columns, starts_in_s=0.0)
    assert studio.run is not None
    return HeldWork(
        run=studio.run, policy=Policy(kind="skip"), profile=studio.profile, segments=tuple(studio.segments()[only])
    )


@given(profiles, st.integers(0, 1000), st.integers(1, 800))
def test_every_held_column_is_in_its_segment(profile: Profile, first: int, columns: int) -> None:
    work = held(profile, first, columns)
    for column in np.linspace(first, first + columns - 1, 7).astype(int).tolist():
        segment = work.segment_of(column)
        assert segment is not None
        assert segment.first_column <= column < segment.end_column
    assert work.segment_of(first - 1) is None
    assert work.segment_of(first + columns) is None


@given(profiles, st.integers(0, 1000), st.integers(0, 719))
def test_the_columns_of_a_burst_have_one_instant(profile: Profile, first: int, offset: int) -> None:
    work = held(profile, first)
    start = max(profile.burst_start(first + offset), first)
    assert instant_of(work, first + offset) == pytest.approx(NOON + (start - first) * COLUMN_S, abs=1e-3)


def test_what_is_not_held_has_no_instant() -> None:
    work = held(only=slice(2, 4))
    assert instant_of(work, 29) is None
    assert instant_of(work, 30) == pytest.approx(NOON + 30 * COLUMN_S)
    assert instant_of(work, 60) is None


def test_a_burst_that_began_in_a_segment_no_longer_held_is_laid_with_its_segment() -> None:
    """Segments of 15 columns, bursts of 16: columns 30 and 31 belong to the burst that began at 16."""
    assert instant_of(held(carriage_profile()), 30) == pytest.approx(NOON + 16 * COLUMN_S, abs=1e-3)
    assert instant_of(held(carriage_profile(), only=slice(2, None)), 30) == pytest.approx(NOON + 30 * COLUMN_S)


@given(profiles, st.integers(0, 100), st.floats(-50.0, 800.0))
def test_the_gaps_end_is_the_first_burst_after_now(profile: Profile, first: int, columns_later: float) -> None:
    assume(abs(columns_later) > 1e-6)  # a double holds an instant of today to a quarter of a microsecond
    work = held(profile, first)
    now = NOON + columns_later * COLUMN_S
    end = first_after(work, now)
    if columns_later < 0:
        assert end is None  # nothing is held of that time
        return
    assert end is not None
    starts = [c for c in range(first, first + 720) if c == first or c % profile.columns_per_burst == 0]
    later = [c for c in starts if NOON + (c - first) * COLUMN_S > now + 1e-3]
    earlier_or_now = [c for c in starts if NOON + (c - first) * COLUMN_S > now - 1e-3]
    assert end in {*later[:1], *earlier_or_now[:1]} if later else end == first + 720


def test_what_lies_beyond_the_work_held_cannot_be_told() -> None:
    work = held(only=slice(0, 2))
    assert first_after(work, NOON + 29.5 * COLUMN_S) == 30
    assert first_after(work, NOON + 30.5 * COLUMN_S) is None
    assert first_after(held(only=slice(0, 0)), NOON) is None


@given(profiles, st.integers(0, 719), st.floats(-100.0, 900.0))
def test_late_is_more_than_a_burst_and_than_a_stumble_ago(profile: Profile, column: int, columns_later: float) -> None:
    work = held(profile)
    now = NOON + columns_later * COLUMN_S
    late_by, least = columns_later - profile.burst_start(column), max(profile.columns_per_burst, STUMBLE)
    assume(abs(late_by - least) > 1e-3)
    assert is_late(work, column, now) == (late_by > least)


def test_nothing_after_the_run_is_late() -> None:
    assert is_late(held(columns=30), 30, math.inf) is False


def test_whether_an_unheld_column_is_late_is_told_by_a_later_segment_that_holds_the_present() -> None:
    work = held(only=slice(4, 6))
    assert is_late(work, 20, NOON + 20 * COLUMN_S) is None
    assert is_late(work, 20, NOON + 65 * COLUMN_S) is True
    assert is_late(work, 200, NOON + 65 * COLUMN_S) is None
    assert is_late(work, 20, NOON + 95 * COLUMN_S) is None


@given(profiles, st.integers(0, 60), st.integers(1, 400))
def test_bursts_cover_a_run_side_by_side(profile: Profile, first: int, columns: int) -> None:
    work = held(profile, first, columns)
    column, position = first, 1000
    while (burst := next_burst(work, column, position, ())) is not None:
        assert (burst.first_column, burst.place) == (column, position)
        assert 0 < len(burst) <= profile.columns_per_burst
        segment = work.segment_of(column)
        assert segment is not None
        assert burst.segment == segment.number
        assert burst.end_column <= segment.end_column
        column, position = burst.end_column, burst.end_place
    assert column == first + columns


@given(st.integers(0, 700), st.lists(st.integers(-5, 40), max_size=4))
def test_a_burst_ends_where_the_knife_is_to_cut(column: int, ahead: list[int]) -> None:
    work = held(carriage_profile(knife=None))
    plain = next_burst(work, column, 500, ())
    burst = next_burst(work, column, 500, [500 + distance for distance in ahead])
    assert plain is not None
    assert burst is not None
    assert len(burst) == min([len(plain), *(distance for distance in ahead if distance > 0)])


def test_without_a_knife_there_are_no_boundaries() -> None:
    assert held(line_profile(knife=None)).boundaries(0, 720) == []
    assert held(line_profile()).boundaries(0, 720) == [60 * strip for strip in range(1, 13)]


def test_the_plate_of_a_column_is_its_segments() -> None:
    work = held(only=slice(0, 1))
    assert work.plate_of(3) == work.segments[0].plate
    assert work.plate_of(15) == ""


def test_times_of_a_column_and_of_a_burst() -> None:
    work = held(carriage_profile(clock_tolerance_dots=0.25))
    assert (work.column_s, work.burst_s, work.clock_tolerance_s) == (COLUMN_S, 16 * COLUMN_S, 30.0)
