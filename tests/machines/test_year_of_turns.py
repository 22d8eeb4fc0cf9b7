"""From plate to drops over a year of turns: no dot is lost, none doubled, wherever segments are cut."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from machines.imaging.plate import Plate
from machines.model.head import plan
from machines.model.profile import CarriageHead, Knife
from tests.machines.imaging.test_rulers import PROFILE


def slot_edges(columns: int, segments: int, turn: int) -> np.ndarray:
    """The running columns at which a turn's segments begin, and its end: (2sC + S) // (2S), in whole numbers."""
    slots = np.arange(segments + 1)
    return turn * columns + (2 * slots * columns + segments) // (2 * segments)


@pytest.mark.parametrize(("columns", "segments"), [(997, 48), (1440, 48), (101, 100), (97, 7)])
def test_segments_of_a_year_are_the_plate_over_and_over(columns: int, segments: int) -> None:
    plate = Plate(np.random.default_rng(1).random((8, columns)) < 0.5)
    ends = [slot_edges(columns, segments, turn) for turn in range(366)]
    parts = [plate.running(int(first), int(end)) for edges in ends for first, end in pairwise(edges)]
    assert sum(part.shape[1] for part in parts) == 366 * columns
    assert np.array_equal(np.concatenate(parts, axis=1), np.tile(plate.dots, (1, 366)))


@settings(max_examples=15, deadline=None)
@given(columns=st.integers(20, 60), segments=st.integers(1, 9), turn=st.integers(0, 10**6), nozzles=st.integers(3, 14))
def test_every_dot_of_a_turn_gets_its_drops_across_segments(
    columns: int, segments: int, turn: int, nozzles: int
) -> None:
    """Drops fall by feed steps; at a step the nozzles may stand over several segments, and each plan fires its own."""
    head = CarriageHead(nozzles=nozzles, passes=3, drop_pl=1.0)
    plate = Plate(np.random.default_rng(turn).random((6, columns)) < 0.6)
    drops: dict[int, np.ndarray] = {}
    edges = slot_edges(columns, segments, turn)
    for first, end in pairwise(edges.tolist()):
        if first == end:
            continue
        segment = plan(plate.running(first, end), first, head, seed=3)
        for step in segment.steps:
            for nozzle, row in np.argwhere(segment.fired(step)):
                drops.setdefault(step - int(nozzle), np.zeros(6, dtype=int))[row] += 1
    laid = np.array([drops.get(turn * columns + column, np.zeros(6, dtype=int)) for column in range(columns)])
    assert np.array_equal(laid.T, plate.dots * 3)
    assert all(turn * columns <= column < (turn + 1) * columns for column in drops)


def test_the_distance_to_the_knife_is_rounded_once_and_never_adds_up() -> None:
    """It is off by half a column at most, and a cut of the last turn of a year is no further off."""
    profile = PROFILE.from_json(PROFILE.as_json() | {"knife": {"head_to_knife_mm": 180.04, "cuts_per_blade": 10}})
    assert profile.knife == Knife(head_to_knife_mm=180.04, cuts_per_blade=10)
    error_mm = profile.knife_columns * profile.column_pitch_mm - 180.04
    assert abs(error_mm) <= profile.column_pitch_mm / 2
    boundaries = np.arange(0, 366 * 7200, 150)
    at_knife = boundaries + profile.knife_columns
    assert (np.diff(at_knife) == 150).all()
