"""Rings over the date line and round a pole."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from machines.imaging.pictures.rings import area, close, coast, densified, unwrap


def ring(*positions: Any) -> Any:
    return np.array([*positions, positions[0]], dtype=float)


def test_a_line_over_the_date_line_runs_on() -> None:
    line = unwrap(np.array([[170.0, 0.0], [-170.0, 5.0], [-160.0, 5.0], [175.0, 0.0]]))
    assert line[:, 0].tolist() == [170, 190, 200, 175]


def test_a_step_of_half_the_earth_is_left_as_written() -> None:
    assert unwrap(np.array([[-90.0, 0.0], [90.0, 0.0]]))[:, 0].tolist() == [-90, 90]


@settings(deadline=None)
@given(
    start=st.floats(-180, 180),
    steps=st.lists(st.floats(-179, 179), min_size=1, max_size=40),
)
def test_wrapping_and_unwrapping_give_the_line_back(start: float, steps: list[float]) -> None:
    longitudes = start + np.concatenate([[0.0], np.cumsum(steps)])
    wrapped = (longitudes + 180.0) % 360.0 - 180.0
    unbroken = unwrap(np.column_stack([wrapped, np.zeros_like(wrapped)]))[:, 0]
    assert np.allclose(np.diff(unbroken), steps, atol=1e-9)


def test_a_box_over_the_date_line_is_twenty_degrees_wide() -> None:
    closed = close(ring([170, 0], [-170, 0], [-170, 10], [170, 10]))
    assert area(closed) == 200.0


@pytest.mark.parametrize(("latitude", "pole"), [(-70.0, -90.0), (70.0, 90.0)])
@pytest.mark.parametrize("direction", [1, -1])
def test_a_ring_round_a_pole_encloses_it(latitude: float, pole: float, direction: int) -> None:
    longitudes = np.arange(-180, 180, 30)[::direction]
    closed = close(ring(*[[longitude, latitude] for longitude in longitudes]))
    assert area(closed) == pytest.approx(360 * 20)
    assert np.array_equal(closed[0], closed[-1])
    assert (closed[:, 1] == pole).sum() == 2


def test_a_polar_ring_that_is_cut_at_the_date_line_means_the_same() -> None:
    around = [[longitude, -70.0] for longitude in range(-180, 181, 30)]
    closed = close(ring(*around, [180, -90], [-180, -90]))
    assert area(closed) == pytest.approx(360 * 20)


@pytest.mark.parametrize(("south", "north"), [(-90, 90), (-23.4, 23.4), (-90, -60)])
def test_a_box_round_the_whole_earth_is_taken_as_written(south: float, north: float) -> None:
    closed = close(ring([-180, south], [180, south], [180, north], [-180, north]))
    assert area(closed) == pytest.approx(360 * (north - south))


def test_an_ordinary_ring_is_left_alone() -> None:
    plain = ring([0, 0], [10, 0], [10, 1])
    assert np.array_equal(close(plain), plain)
    assert area(plain) == 5.0


def test_a_coast_leaves_out_the_cut_at_the_date_line_and_at_the_pole() -> None:
    cut = ring([170, 60], [180, 62], [180, 70], [170, 70])
    pieces = coast(cut)
    assert [len(piece) for piece in pieces] == [2, 3]
    antarctic = np.array(
        [[-180.0, -70.0], [0.0, -70.0], [180.0, -70.0], [180.0, -90.0], [-180.0, -90.0], [-180.0, -70.0]]
    )
    assert [piece.tolist() for piece in coast(antarctic)] == [[[-180, -70], [0, -70], [180, -70]]]


def test_a_coast_without_a_cut_is_the_ring_unbroken() -> None:
    pieces = coast(ring([170, 0], [-170, 0], [-170, 10]))
    assert len(pieces) == 1
    assert pieces[0][:, 0].tolist() == [170, 190, 190, 170]


def test_long_sloping_edges_are_divided_and_others_left() -> None:
    line = np.array([[0.0, 0.0], [10.0, 4.0], [10.0, 80.0], [10.5, 80.5]])
    divided = densified(line)
    assert len(divided) == 4 + 3
    assert divided[:5].tolist() == [[0, 0], [2.5, 1], [5, 2], [7.5, 3], [10, 4]]
    assert np.array_equal(divided[-3:], line[-3:])
    assert densified(line[1:]) is not None
    assert len(densified(line[1:])) == 3


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(-179, 179), st.floats(-89, 89)), min_size=2, max_size=12))
def test_dividing_edges_keeps_the_corners_and_the_area(corners: list[tuple[float, float]]) -> None:
    line = np.array([*corners, corners[0]], dtype=float)
    divided = densified(line)
    assert area(divided) == pytest.approx(area(line), abs=1e-6)
    assert all((np.abs(divided - corner).max(axis=1) < 1e-9).any() for corner in line)
