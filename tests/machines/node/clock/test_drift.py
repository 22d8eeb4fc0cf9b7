"""The rate of the board's crystal, learned from samples, against simulated crystals whose true time is known."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from machines.node.clock.drift import MARKS_KEPT, WANDER, Crystal, Rate
from machines.node.clock.estimate import Belief
from machines.node.clock.samples import DRIFT, Sample, measured
from machines.node.clock.server_time import ServerTime

DAY_S = 86400.0
BEGAN = 1.79e9


@dataclass(frozen=True)
class Board:
    """A crystal that is wrong steadily, and wanders with the warmth of day and night.

    Attributes:
        steady: the server's seconds in one of the board's, less one, on average.
        swing: half the width of the wander.
        phase: where in the day it is switched on, radians.
        period_s: of the warmth.
    """

    steady: float
    swing: float = 0.0
    phase: float = 0.0
    period_s: float = DAY_S

    def server(self, elapsed_s: float) -> float:
        """The server's time: the integral of 1 + steady + swing cos(2 pi t / period + phase)."""
        turn = 2 * math.pi / self.period_s
        warmth = math.sin(turn * elapsed_s + self.phase) - math.sin(self.phase)
        return BEGAN + elapsed_s * (1 + self.steady) + self.swing / turn * warmth

    def ask(self, elapsed_s: float, there_s: float, back_s: float) -> Sample:
        """A sample whose question goes at an elapsed second."""
        received = self.server(elapsed_s + there_s)
        return measured(elapsed_s, received, received, elapsed_s + there_s + back_s)


def synchronised(board: Board, seed: int, days: float, every_s: float = 1200.0, short_s: float = 0.0) -> ServerTime:
    """Asked now and then over wifi that is mostly quick and sometimes slow, there or back."""
    dice, time = random.Random(seed), ServerTime()
    for index in range(int(days * DAY_S / every_s)):
        there_s, back_s = (dice.uniform(0.01, 0.04) + (dice.random() < 0.3) * dice.uniform(0, 2) for _ in range(2))
        at_s = index * every_s
        time = time.after(board.ask(at_s, there_s, back_s))
        assert_within(time, board, at_s + there_s + back_s, short_s)
    return time


def assert_within(time: ServerTime, board: Board, elapsed_s: float, short_s: float = 0.0) -> None:
    estimate = time.estimate(elapsed_s)
    assert estimate is not None
    assert not estimate.doubted
    assert abs(estimate.now - board.server(elapsed_s)) <= estimate.error_s + short_s + 1e-6  # POSIX seconds in float64


@settings(max_examples=40, deadline=None)
@given(
    st.floats(-245e-6, 245e-6),
    st.floats(0.0, WANDER / 2),
    st.floats(0.0, 2 * math.pi),
    st.sampled_from([0.5 * DAY_S, DAY_S, 7 * DAY_S]),
    st.floats(0.0, 1.5),
    st.integers(0, 1000),
)
def test_the_true_time_is_always_within_the_bound(
    steady: float, swing: float, phase: float, period_s: float, days: float, seed: int
) -> None:
    """Before, while and after the rate is learned, and alone for a week."""
    board = Board(steady, swing, phase, period_s)
    time = synchronised(board, seed, days + 0.02)
    for hour in range(0, 7 * 24, 5):
        assert_within(time, board, (days + 0.02) * DAY_S + hour * 3600.0)


@pytest.mark.parametrize("steady", [-20e-6, 20e-6])
def test_a_day_teaches_a_crystal_of_20_ppm_to_hold_half_a_dot_of_6_s_for_a_week(steady: float) -> None:
    board = Board(steady, WANDER / 2, phase=1.0)
    time = synchronised(board, seed=3, days=1.0)
    estimate = time.estimate(8 * DAY_S)
    assert estimate is not None
    assert estimate.error_s < 0.5 * 6.0
    assert_within(time, board, 8 * DAY_S)


def test_without_a_day_of_learning_the_week_is_lost() -> None:
    """20 ppm are 1.7 s a day, computed: seconds a day = ppm x 0.0864; an unknown crystal's is worse."""
    time = synchronised(Board(20e-6), seed=3, days=0.02)
    estimate = time.estimate(7 * DAY_S)
    assert estimate is not None
    assert estimate.error_s > 50.0


def test_a_crystal_caught_wandering_is_trusted_less_and_still_bounded() -> None:
    """Three times the wander that is assumed, in two days of learning."""
    board = Board(10e-6, 3 * WANDER / 2, period_s=2 * DAY_S)
    crystal = Crystal()
    for hour in range(72):
        crystal = crystal.after(board.ask(hour * 3600.0, 0.01, 0.01))
    assert crystal.wander >= 2 * WANDER
    time = ServerTime(Belief((board.ask(72 * 3600.0, 0.01, 0.01),), crystal))
    for hour in range(72, 144):
        assert_within(time, board, hour * 3600.0 + 1.0)


def test_the_widest_wander_is_no_more_than_the_drift_allows() -> None:
    crystal = Crystal()
    for index in range(60):  # a crystal that no board has
        offset_s = BEGAN + (50.0 if index % 2 else 0.0)
        crystal = crystal.after(Sample(offset_s=offset_s, delay_s=0.0, taken_at_s=index * 4000.0))
    assert crystal.wander == 2 * DRIFT
    assert crystal.rate.error <= DRIFT


def test_marks_are_the_best_of_their_ten_minutes_and_few() -> None:
    crystal = Crystal()
    for index in range(144 * 5 * 4):
        delay_s = 0.5 if index % 4 else 0.1
        crystal = crystal.after(Sample(offset_s=BEGAN, delay_s=delay_s, taken_at_s=index * 150.0))
    assert len(crystal.marks) == MARKS_KEPT
    assert {mark.delay_s for mark in crystal.marks} == {0.1}
    assert crystal.marks[0].taken_at_s == 0.0
    assert crystal.marks[-1].taken_at_s > 4.9 * DAY_S


def test_ten_minutes_say_something_of_the_rate_and_less_says_nothing() -> None:
    """Two samples without delay know the time to 20 ms each, so 600 s between them prove the rate to 67 ppm, and the
    band of 3 ppm comes on top."""
    crystal = Crystal()
    for minute in range(10):
        crystal = crystal.after(Sample(offset_s=BEGAN, delay_s=0.0, taken_at_s=minute * 60.0))
    assert crystal.rate.error == 250e-6
    crystal = crystal.after(Sample(offset_s=BEGAN, delay_s=0.0, taken_at_s=600.0))
    assert crystal.rate.error == pytest.approx(69.7e-6, abs=0.1e-6)


def test_a_rate_that_is_known_from_before_counts_until_it_is_contradicted() -> None:
    known = Crystal(known=Rate(mean=20e-6, error=6e-6))
    assert known.rate == Rate(mean=20e-6, error=6e-6)
    for drift, still in ((22e-6, True), (140e-6, False)):
        board, crystal = Board(drift), known
        for minute in range(21):
            crystal = crystal.after(board.ask(minute * 60.0, 0.01, 0.01))
        assert (crystal.known is not None) is still
        assert crystal.rate.lowest <= drift <= crystal.rate.highest


@settings(max_examples=40, deadline=None)
@given(st.floats(-249e-6, 249e-6), st.floats(0.0, 20e-6), st.floats(0.0, 6.28), st.integers(0, 1000))
def test_crystals_to_250_ppm_are_never_doubted_and_their_error_stays_small(
    steady: float, swing: float, phase: float, seed: int
) -> None:
    """Also one whose rate wanders by more than is assumed, while the server is heard: then the bound may be short by
    what two samples cannot show."""
    steady = max(-249e-6 + swing, min(249e-6 - swing, steady))
    board = Board(steady, swing, phase)
    time = synchronised(board, seed, days=1.0, every_s=600.0, short_s=0.0 if swing <= WANDER / 2 else 0.1)
    estimate = time.estimate(DAY_S - 1.0)
    assert estimate is not None
    assert estimate.error_s < 0.7


@pytest.mark.parametrize("drift", [-900e-6, 400e-6, 900e-6])
def test_a_count_that_is_worse_than_assumed_is_found_out_and_then_believed(drift: float) -> None:
    """Beyond any crystal: a count that something disturbs. It is in doubt, and then taken as it is."""
    board, time = Board(drift), ServerTime()
    for minute in range(120):
        time = time.after(board.ask(minute * 60.0, 0.01, 0.01))
        if minute > 60:
            assert_within(time, board, minute * 60.0 + 1.0)
    assert time.belief.crystal.rate.mean == pytest.approx(drift, abs=40e-6)
