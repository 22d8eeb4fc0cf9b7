"""Polygons and lines on the drum."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from machines.imaging.pictures.canvas import Canvas, hatching
from machines.imaging.pictures.sheet import Sheet

SHEET = Sheet(columns=120, rows=60, width_mm=120.0, height_mm=60.0)


def square(left: float, top: float, right: float, bottom: float) -> np.ndarray:
    return np.array([[left, top], [right, top], [right, bottom], [left, bottom], [left, top]], dtype=float)


def filled(*polygons: list[np.ndarray], sheet: Sheet = SHEET) -> np.ndarray:
    canvas = Canvas(sheet)
    for rings in polygons:
        canvas.fill(rings)
    return canvas.coverage()


def test_a_square_covers_its_dots() -> None:
    tone = filled([square(10, 20, 30, 40)])
    assert tone[20:40, 10:30].min() == 1.0
    assert tone.sum() == pytest.approx(400, rel=0.03)  # the border falls to the inside


def test_a_dot_half_covered_is_half_inked() -> None:
    tone = filled([square(10.5, 20, 30.5, 40)])
    assert tone[30, 10] == pytest.approx(0.5, abs=0.01)
    assert tone[30, 11:30].min() == 1.0


@settings(max_examples=40, deadline=None)
@given(shift=st.integers(-360, 360), left=st.integers(0, 119), width=st.integers(1, 110))
def test_a_polygon_is_the_same_wherever_it_stands(shift: int, left: int, width: int) -> None:
    """Moved by whole columns, over the closing or past it, it is drawn alike dot for dot.

    Only a point that an edge cuts in its very middle may fall to one side here and to the other there."""
    here = filled([np.array([[left, 5], [left + width, 12.3], [left + width / 3, 50.7], [left, 5]], dtype=float)])
    there = filled(
        [
            np.array([[left, 5], [left + width, 12.3], [left + width / 3, 50.7], [left, 5]], dtype=float)
            + np.array((shift, 0))
        ]
    )
    difference = np.abs(np.roll(here, shift, axis=1) - there)
    assert difference.max() <= 1.01 / SHEET.oversampling
    assert np.count_nonzero(difference) <= 12


def test_a_polygon_longer_than_a_turn_goes_round() -> None:
    tone = filled([square(-50, 20, 200, 40)])
    assert tone[21:39].min() == 1.0


def test_what_is_above_and_below_the_sheet_is_cut() -> None:
    tone = filled([square(10, -1000, 30, 1000)])
    assert tone[:, 10:30].min() == 1.0
    assert not filled([square(10, -50, 30, -10)]).any()
    assert not filled([square(10, 70, 30, 90), square(12, 72, 14, 74)]).any()


@pytest.mark.parametrize("shift", [0, 60, 105, 120, -45])
def test_a_hole_shows_what_was_there(shift: int) -> None:
    """Paper, or what another polygon drew; and it may stand in another turn than its polygon, and over the closing."""
    outer, hole, island = square(10, 10, 50, 50), square(20, 20, 40, 40), square(28, 28, 32, 32)
    for polygons in ([[outer, hole], [island]], [[island], [outer, hole]]):
        moved = [[ring + np.array((shift, 0)) for ring in rings] for rings in polygons]
        moved = [[rings[0], *(ring + np.array((120, 0)) for ring in rings[1:])] for rings in moved]
        tone = np.roll(filled(*moved), -shift, axis=1)
        assert [tone[30, column] for column in (15, 24, 30, 36, 45, 80)] == [1, 0, 1, 0, 1, 0]


def test_two_polygons_that_overlap_are_united_even_over_a_hole() -> None:
    tone = filled([square(0, 0, 100, 60)], [square(10, 10, 50, 50), square(20, 20, 40, 40)])
    assert tone[:, :100].min() == 1.0


@pytest.mark.parametrize("width_mm", [1.0, 3.0])
def test_a_line_over_the_closing_has_both_halves(width_mm: float) -> None:
    canvas = Canvas(SHEET)
    canvas.line(np.array([[0.0, 0.0], [0.0, 60.0]]), width_mm)
    tone = canvas.coverage()
    assert tone[30].sum() == pytest.approx(width_mm, abs=0.3)
    assert min(tone[30, 0], tone[30, -1]) > 0.2


@pytest.mark.parametrize(("columns", "spacing_mm"), [(120, 2.0), (121, 3.7), (500, 0.9), (97, 40.0), (50, 500.0)])
def test_hatching_closes_on_any_turn(columns: int, spacing_mm: float) -> None:
    """Read along a row and round the closing, lines come as often as a whole number in a turn."""
    sheet = Sheet(columns=columns, rows=40, width_mm=120.0, height_mm=40.0)
    pattern = hatching(sheet, spacing_mm, spacing_mm / 3)
    lines = max(1, round(120.0 / spacing_mm))
    if columns >= 6 * lines:
        for row in pattern:
            assert np.count_nonzero(row & ~np.roll(row, 1)) == lines
    assert pattern.mean() == pytest.approx(1 / 3, abs=0.2)
