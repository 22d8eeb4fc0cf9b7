"""The times of a place in a year, against what was promised of them.

| name | baseline | ours | goal |
| --- | --- | --- | --- |
| when-place | 5 ms | each time of a year that a place is laid, at the knife and cut off, after sampling | 1 |

Here the baseline is the promise itself, in seconds. Both are held against the times told one by one before.
"""

from __future__ import annotations

from tests.benchmarks.own_process import measured
from tests.benchmarks.row import Row

WITHIN_S = 0.005


def rows() -> list[Row]:
    """The measurement, in a process of its own."""
    return [Row("when-place", WITHIN_S, measured("passages_rounds"), "s", 1.0)]
