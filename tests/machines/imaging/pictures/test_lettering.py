"""Words on the drum."""

from typing import Any

import numpy as np
import pytest

from machines.imaging.pictures.lettering import letter
from machines.imaging.pictures.sheet import Sheet


def lettered(text: str, travel: Any = "left", along_mm: float = 50.0, down_mm: float = 20.0, **more: Any) -> np.ndarray:
    sheet = Sheet(columns=1000, rows=400, width_mm=100.0, height_mm=40.0, travel=travel)
    tone = np.zeros((400, 1000), dtype=np.float32)
    letter(tone, sheet, text, along_mm, down_mm, **({"height_mm": 8.0, "ink": 1.0} | more))
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


def test_something_darker_stays_and_ink_is_a_tone() -> None:
    assert lettered("Moon", ink=0.4).max() == pytest.approx(0.4)
    sheet = Sheet(columns=1000, rows=400, width_mm=100.0, height_mm=40.0)
    tone = np.full((400, 1000), 0.7, dtype=np.float32)
    letter(tone, sheet, "Moon", 50.0, 20.0, 8.0, 0.4)
    assert tone.min() == tone.max() == pytest.approx(0.7)


def test_a_long_line_is_made_to_fit() -> None:
    tone = lettered("a rather long line about the Moon tonight", height_mm=30.0)
    columns = np.flatnonzero(tone.any(axis=0))
    assert np.ptp(columns) < 920
    assert np.ptp(columns) > 800
