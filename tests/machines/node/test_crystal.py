"""The rate of the board's crystal, learned from samples, against simulated crystals whose true time is known."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from machines.node.crystal import MARKS_KEPT, WANDER, Crystal
from machines.node.samples import DRIFT, Sample, measured
from machines.node.server_time import ServerTime

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


def synchronised(board: Board, seed: int, days: float, every_s: float = 1200.0) -> ServerTime:
    """Asked now and then over wifi that is mostly quick and sometimes slow, there or back."""
    dice, time = random.Random(seed), ServerTime()
    for index in range(int(days * DAY_S / every_s)):
        there_s, back_s = (dice.uniform(0.01, 0.04) + (dice.random() < 0.3) * dice.uniform(0, 2) for _ in range(2))
        at_s = index * every_s
        time = time.after(board.ask(at_s, there_s, back_s))
        assert_within(time, board, at_s + there_s + back_s)
    return time


def assert_within(time: ServerTime, board: Board, elapsed_s: float) -> None:
    estimate = time.estimate(elapsed_s)
    assert estimate is not None
    assert not estimate.doubted
    assert abs(estimate.now - board.server(elapsed_s)) <= estimate.error_s + 1e-6  # POSIX seconds in float64


@settings(max_examples=40, deadline=None)
@given(
    st.floats(-80e-6, 80e-6),
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
    """20 ppm are 1.7 s a day, computed: seconds a day = ppm x 0.0864; the bound of 100 ppm is worse still."""
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
    time = ServerTime((board.ask(72 * 3600.0, 0.01, 0.01),), crystal)
    for hour in range(72, 144):
        assert_within(time, board, hour * 3600.0 + 1.0)


def test_the_widest_wander_is_no_more_than_the_drift_allows() -> None:
    crystal = Crystal()
    for index in range(60):  # a crystal that no board has
        offset_s = BEGAN + (50.0 if index % 2 else 0.0)
        crystal = crystal.after(Sample(offset_s=offset_s, delay_s=0.0, taken_at_s=index * 4000.0))
    assert crystal.wander == 2 * DRIFT
    assert crystal.rate.error <= DRIFT


def test_marks_are_the_best_of_their_hours_and_few() -> None:
    crystal = Crystal()
    for index in range(24 * 30 * 4):
        delay_s = 0.5 if index % 4 else 0.1
        crystal = crystal.after(Sample(offset_s=BEGAN, delay_s=delay_s, taken_at_s=index * 900.0))
    assert len(crystal.marks) == MARKS_KEPT
    assert {mark.delay_s for mark in crystal.marks} == {0.1}
    assert crystal.marks[0].taken_at_s == 0.0
    assert crystal.marks[-1].taken_at_s > 29.9 * DAY_S


def test_before_an_hour_is_over_the_rate_is_unknown() -> None:
    crystal = Crystal()
    for minute in range(59):
        crystal = crystal.after(Sample(offset_s=BEGAN, delay_s=0.0, taken_at_s=minute * 60.0))
    assert crystal.rate.error == DRIFT
