"""The rule of segments: every column exactly once, and numbers that never depend on when they were planned."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from machines.clock import utc
from machines.errors import InputError
from machines.model.slots import slot_start
from scheduling.planning.timeline import Timeline
from scheduling.sky import cycles
from scheduling.sky.periods import LONGEST_S, SHORTEST_S

DAY_S = 86_400.0
NOON_IN_OCTOBER_2026 = 1_792_843_200.0


@dataclass(frozen=True)
class Steady:
    """A cycle of equal turns from POSIX zero."""

    mean_turn_s: float = DAY_S

    def turns(self, posix: NDArray[np.float64]) -> NDArray[np.float64]:
        return posix / self.mean_turn_s

    def instants(self, turns: NDArray[np.float64]) -> NDArray[np.float64]:
        return turns * self.mean_turn_s


@dataclass(frozen=True)
class Swinging:
    """A cycle whose rate swings by a tenth within each turn."""

    mean_turn_s: float = DAY_S

    def turns(self, posix: NDArray[np.float64]) -> NDArray[np.float64]:
        raise AssertionError("not asked for")

    def instants(self, turns: NDArray[np.float64]) -> NDArray[np.float64]:
        return self.mean_turn_s * (turns + 0.1 * np.sin(2 * np.pi * turns) / (2 * np.pi))


geometries = st.integers(1, 300).flatmap(lambda segments: st.tuples(st.integers(segments, 5_000), st.just(segments)))


@given(geometries)
def test_the_slots_of_a_turn_hold_every_column_once(geometry: tuple[int, int]) -> None:
    columns, segments = geometry
    starts = [slot_start(slot, columns, segments) for slot in range(segments + 1)]
    assert starts[0] == 0
    assert starts[-1] == columns
    assert all(a < b for a, b in pairwise(starts))


@given(geometries, st.integers(-(10**7), 10**7))
def test_a_column_is_in_the_segment_that_says_so(geometry: tuple[int, int], running: int) -> None:
    timeline = Timeline(Steady(), *geometry)
    stretch = timeline.stretch(timeline.segment_of(running))
    assert stretch.first_column <= running < stretch.end_column


@given(geometries, st.integers(-(10**6), 10**6), st.integers(1, 3_000), st.integers(0, 3_000))
def test_planning_in_two_goes_gives_the_same_segments(
    geometry: tuple[int, int], first: int, length: int, cut: int
) -> None:
    """Planned whole, or in two goes that meet anywhere: the same columns under the same numbers."""
    timeline, end = Timeline(Steady(), *geometry), first + length
    middle = min(first + cut, end)
    whole = {column: s.number for s in timeline.stretches(first, end) for column in range(s.first_column, s.end_column)}
    parts = [*timeline.stretches(first, middle), *timeline.stretches(middle, end)]
    pieces = [(column, s.number) for s in parts for column in range(s.first_column, s.end_column)]
    assert len(pieces) == length
    assert dict(pieces) == whole


def test_a_run_clips_its_first_and_last_segment() -> None:
    stretches = list(Timeline(Steady(), 100, 4).stretches(110, 160))
    assert [(s.number, s.first_column, s.end_column) for s in stretches] == [
        (4, 110, 125),
        (5, 125, 150),
        (6, 150, 160),
    ]


def test_a_segment_number_is_the_whole_part_of_turns_times_segments() -> None:
    timeline = Timeline(Steady(), 1440, 48)
    posix = 20_000 * DAY_S + 3_600.0 * 7.3
    running = timeline.first_column_from(posix)
    assert timeline.segment_of(running) == int(timeline.cycle.turns(np.array([posix]))[0] * 48)


@pytest.mark.parametrize("shift_s", [0.0, 1e-3, 30.0, 59.999])
def test_the_first_column_from_an_instant_is_never_before_it(shift_s: float) -> None:
    timeline = Timeline(Steady(), 1440, 48)
    posix = 20_000 * DAY_S + shift_s
    running = timeline.first_column_from(posix)
    assert timeline.instants(np.array([running]))[0] >= posix
    assert timeline.instants(np.array([running - 1]))[0] < posix


@pytest.mark.parametrize("name", ["apparent-solar-day", "sidereal-day", "lunar-day", "mean-solar-day"])
def test_the_first_column_from_an_instant_under_the_real_sky(name: str) -> None:
    timeline = Timeline(cycles.get(name), 1440, 48)
    running = timeline.first_column_from(NOON_IN_OCTOBER_2026)
    before, at = timeline.instants(np.array([running - 1, running]))
    assert before < NOON_IN_OCTOBER_2026 <= at


@pytest.mark.parametrize("name", ["apparent-solar-day", "sidereal-day", "lunar-day", "mean-solar-day", "synodic-month"])
def test_the_instant_told_of_a_column_gives_that_column(name: str) -> None:
    """Told in whole microseconds, it is up to half of one after the column's own."""
    timeline = Timeline(cycles.get(name), 1440, 48)
    first = timeline.first_column_from(NOON_IN_OCTOBER_2026)
    for running in range(first, first + 200):
        told = utc(timeline.instants(np.array([running]))[0])
        assert timeline.first_column_from(told.timestamp()) == running


def test_noon_by_the_clock_is_not_noon_of_the_mean_sun() -> None:
    """UT1 is ahead of UTC by 0.12 s then, so that the column of noon is due before 12:00, and is not rounded to it."""
    timeline = Timeline(cycles.get("mean-solar-day"), 360, 12)
    running = timeline.first_column_from(NOON_IN_OCTOBER_2026)
    assert running % 360 == 181
    assert NOON_IN_OCTOBER_2026 - timeline.instants(np.array([running - 1]))[0] == pytest.approx(0.12, abs=0.01)


@given(
    posix=st.floats(-6.2e10, 2.5e11),
    epoch=st.datetimes(timezones=st.just(UTC)),
    seconds=st.floats(SHORTEST_S, LONGEST_S),
    columns=st.integers(2, 2_000_000),
)
def test_the_first_column_is_found_or_refused_whatever_the_period(
    posix: float, epoch: datetime, seconds: float, columns: int
) -> None:
    cycle = cycles.get("period", seconds=seconds, epoch=epoch)
    timeline = Timeline(cycle, columns, 1)
    try:
        running = timeline.first_column_from(posix)
    except InputError as error:
        assert "columns lie between" in error.problem
        assert abs(posix - epoch.timestamp()) / seconds * columns > 2**50 * 0.999
        return
    off_s = timeline.instants(np.array([running]))[0] - posix
    # Seconds of the year 9999 are whole 30 microseconds in a float64.
    assert -6e-5 <= off_s <= 2 * seconds / columns + 6e-5


@pytest.mark.parametrize(("cycle", "segments"), [(Steady(), 48), (Swinging(), 48), (Swinging(), 4)])
def test_time_between_knots_is_true_to_the_tolerance(cycle: Steady | Swinging, segments: int) -> None:
    timeline = Timeline(cycle, 1440, segments)
    for stretch in timeline.stretches(0, 1440):
        work = timeline.work(stretch, "0" * 64)
        columns = np.arange(stretch.first_column, stretch.end_column + 1)
        off_s = np.abs(work.instants(columns) - timeline.instants(columns))
        column_s = np.diff(timeline.instants(columns)).mean()
        # A datetime has whole microseconds; half of one is the rounding of each knot.
        assert off_s.max() <= 2 * 0.01 * column_s + 1e-6


def test_a_steady_cycle_needs_two_knots_and_a_swinging_one_more() -> None:
    steady = next(Timeline(Steady(), 1440, 4).stretches(0, 1440))
    assert len(Timeline(Steady(), 1440, 4).work(steady, "0" * 64).knots) == 2
    assert len(Timeline(Swinging(), 1440, 4).work(steady, "0" * 64).knots) > 2


def test_more_segments_than_columns_are_refused() -> None:
    with pytest.raises(InputError, match="segments_per_turn: 11 segments of a turn of 10 columns"):
        Timeline(Steady(), 10, 11)
