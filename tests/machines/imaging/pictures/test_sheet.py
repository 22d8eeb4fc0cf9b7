"""A turn of paper."""

from typing import Any

import pytest

from machines.errors import InputError
from machines.imaging.pictures.sheet import LARGEST_SHEET_DOTS, Sheet


def sheet(**changes: Any) -> Sheet:
    return Sheet(**({"columns": 6000, "rows": 3000, "width_mm": 600.0, "height_mm": 240.0} | changes))


def test_pitches() -> None:
    assert (sheet().column_mm, sheet().row_mm) == pytest.approx((0.1, 0.08))


@pytest.mark.parametrize(("columns", "points"), [(480, 4), (2400, 4), (3200, 2), (5900, 2), (6000, 1), (14_000, 1)])
def test_only_dots_that_the_eye_could_see_are_smoothed(columns: int, points: int) -> None:
    assert sheet(columns=columns).oversampling == points


def test_smoothing_takes_no_more_memory_than_the_largest_sheet() -> None:
    large = sheet(columns=15_000, rows=10_000, width_mm=10_000.0, height_mm=7000.0)
    assert large.oversampling == 1
    assert sheet(columns=9000, rows=9000, width_mm=9000.0, height_mm=9000.0).oversampling == 2


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"columns": 1}, "columns"),
        ({"rows": 0}, "rows"),
        ({"width_mm": 0.0}, "width_mm"),
        ({"height_mm": float("nan")}, "height_mm"),
        ({"columns": LARGEST_SHEET_DOTS // 100, "rows": 101}, "columns"),
    ],
)
def test_impossible_sheets_are_refused(changes: dict[str, Any], field: str) -> None:
    with pytest.raises(InputError) as caught:
        sheet(**changes)
    assert caught.value.field == field
