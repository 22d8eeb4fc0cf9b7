"""A run whose timeline has waited: from a column on, everything is later.

The log keeps the instants of segments as they were planned, before any waiting, and so does a node: the shift comes on
top. The rows of segments show the instants with it.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from scheduling.log.models import Run, Segment
from scheduling.log.rows import Rows


def shift_from(rows: Rows, run: Run, column: int, shift_s: float) -> None:
    """From a column on, and at the end, the run is later by so many seconds."""
    run.shifts = [*run.shifts, [column, shift_s]]
    run.shift_s += shift_s
    run.ends_at += timedelta(seconds=shift_s)
    for segment in rows.change_where(Segment, run_id=run.id, end_column__gt=column):
        place(run, segment)


def place(run: Run, segment: Segment) -> None:
    """Give a segment the instants at which its columns belong under the head now."""
    segment.starts_at = _moved(segment.knots[0], run, segment.first_column + 1)
    segment.ends_at = _moved(segment.knots[-1], run, segment.end_column)


def _moved(knot: str, run: Run, before: int) -> datetime:
    """An instant as planned, with what the timeline waited before a column."""
    waited_s = sum(shift_s for column, shift_s in run.shifts if column < before)
    return datetime.fromisoformat(knot) + timedelta(seconds=waited_s)
