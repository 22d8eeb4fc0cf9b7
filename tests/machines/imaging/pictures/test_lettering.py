"""Words on the drum."""

from typing import Any

import numpy as np
import pytest

from machines.imaging.pictures.lettering import Line
from machines.imaging.pictures.sheet import Sheet
from machines.imaging.pieces import Piece


def lettered(
    text: str,
    travel: Any = "left",
    along_mm: float = 50.0,
    down_mm: float = 20.0,
    height_mm: float = 8.0,
    ink: float = 1.0,
) -> np.ndarray:
    sheet = Sheet(columns=1000, rows=400, width_mm=100.0, height_mm=40.0, travel=travel)
    tone = np.zeros((400, 1000), dtype=np.float32)
    Line.of(text, sheet, height_mm).write(Piece(0, tone), along_mm, down_mm, ink)
    return tone


def middle(tone: np.ndarray) -> tuple[float, float]:
    rows, columns = np.nonzero(tone > 0.5)
    return (rows.min() + rows.max()) / 2, (columns.min() + columns.max()) / 2


def test_it_stands_where_it_should_and_is_as_high() -> None:
    tone = lettered("HHHH")
    assert middle(tone) == pytest.approx((200, 500), abs=6)
    rows = np.flatnonzero(tone.any(axis=1))
    assert 30 < np.ptp(rows) < 80


def test_it_is_mirrored_on_the_plate_when_the_paper_moves_right() -> None:
    """An L has its stroke at the left as a visitor sees it, and later columns stand further left on that paper."""
    plain, mirrored = lettered("L", "left"), lettered("L", "right")
    stroke = np.flatnonzero((plain > 0.5).sum(axis=0) > 30)
    assert stroke.max() < middle(plain)[1]
    assert np.flatnonzero((mirrored > 0.5).sum(axis=0) > 30).min() > middle(mirrored)[1]


def test_over_the_closing_it_is_whole() -> None:
    here, closing = lettered("Moon"), lettered("Moon", along_mm=100.0)
    assert np.array_equal(np.roll(here, 500, axis=1), closing)


def test_over_the_edge_it_is_cut() -> None:
    whole, cut = lettered("Moon"), lettered("Moon", down_mm=0.0)
    assert 0.0 < cut.sum() < whole.sum()
    assert not lettered("Moon", down_mm=-50.0).any()


@pytest.mark.parametrize("edge", [1, 180, 200, 203, 399])
def test_it_is_the_same_in_two_pieces(edge: int) -> None:
    sheet = Sheet(columns=1000, rows=400, width_mm=100.0, height_mm=40.0)
    line, halves = Line.of("Moon", sheet, 8.0), np.zeros((400, 1000), dtype=np.float32)
    for piece in (Piece(0, halves[:edge]), Piece(edge, halves[edge:])):
        line.write(piece, 50.0, 20.0, 0.8)
    assert np.array_equal(halves, lettered("Moon", "right", ink=0.8))


def test_something_darker_stays_and_ink_is_a_tone() -> None:
    assert lettered("Moon", ink=0.4).max() == pytest.approx(0.4)
    sheet = Sheet(columns=1000, rows=400, width_mm=100.0, height_mm=40.0)
    tone = np.full((400, 1000), 0.7, dtype=np.float32)
    Line.of("Moon", sheet, 8.0).write(Piece(0, tone), 50.0, 20.0, 0.4)
    assert tone.min() == tone.max() == pytest.approx(0.7)


def test_a_long_line_is_made_to_fit() -> None:
    tone = lettered("a rather long line about the Moon tonight", height_mm=30.0)
    columns = np.flatnonzero(tone.any(axis=0))
    assert np.ptp(columns) < 920
    assert np.ptp(columns) > 800
