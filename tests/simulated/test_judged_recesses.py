"""What was laid while a run was held is found, but not what was in hand before, nor what comes just before its end."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.server.demo.judging.good_run import COLUMN_S, END, GAP, evidence, instant, printed, told
from tests.simulated.judged_recesses import laid_within


@pytest.mark.parametrize(
    ("begins", "ends_s", "count"),
    [
        (119, 0.0, 5),  # that of its beginning was in hand
        (119, 0.4 * COLUMN_S, 5),  # a board may be so unsure of the time
        (119, 0.6 * COLUMN_S, 6),
        (GAP[0] - 1, -9.0 * COLUMN_S, 0),  # nothing was laid in the gap
    ],
)
def test_what_is_laid_in_a_recess_is_found_but_for_its_edges(
    tmp_path: Path, begins: int, ends_s: float, count: int
) -> None:
    good = evidence(tmp_path)
    held = good.runs[0] | {"followed_by": None}
    assert laid_within(good, held, (instant(begins), instant(125) + ends_s)) == count


def test_what_another_run_laid_meanwhile_is_none_of_it(tmp_path: Path) -> None:
    turned = [*told()[:-1], printed(5, GAP[1], 123, 11), printed(6, 123, END, 18) | {"run": "then"}]
    late = evidence(tmp_path, entries=turned)
    span = (instant(119), instant(END))
    first = late.runs[0] | {"followed_by": "then"}
    assert [laid_within(late, row, span) for row in (first, first | {"id": "then", "followed_by": None})] == [3, 7]
