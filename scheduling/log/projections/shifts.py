"""A run whose timeline has waited: from a column on, everything is later.

The log keeps the instants of segments as they were planned, before any waiting, and so does a node: the shift comes on
top. The rows of segments show the instants with it.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from machines.errors import InputError
from scheduling.log.models import Run, Segment
from scheduling.log.rows.row_cache import Rows

# The only cycle that the sky does not tie down.
CAN_WAIT = "period"


def may_wait(cycle: str, shift_s: float) -> bool:
    """Whether a timeline by a cycle can be later by so many seconds, or is not later at all."""
    return shift_s == 0 or (cycle == CAN_WAIT and shift_s > 0)


def shift_from(rows: Rows, run: Run, column: int, shift_s: float) -> None:
    """From a column on, and at the end, the run is later by so many seconds.

    Raises:
        InputError: no timeline can be so: the sky does not wait, and nothing comes earlier by waiting.
    """
    if run.cycle != CAN_WAIT:
        raise InputError("shift_s", f"{shift_s} s of a run by the {run.cycle}", f"give 0: only a {CAN_WAIT} can wait")
    if shift_s < 0:
        raise InputError("shift_s", f"{shift_s} s", "give 0 or more")
    run.shifts = [*run.shifts, [column, shift_s]]
    run.shift_s += shift_s
    if column < run.end_column:
        run.ends_at += timedelta(seconds=shift_s)
    for segment in rows.change_where(Segment, run_id=run.id, end_column__gt=column):
        place(run, segment)


def place(run: Run, segment: Segment) -> None:
    """Give a segment the instants at which its columns belong under the head now."""
    segment.starts_at = _moved(segment.knots[0], run, segment.first_column + 1)
    segment.ends_at = _moved(segment.knots[-1], run, segment.end_column)


def waited_before(run: Run, before: int) -> timedelta:
    """How long a run's timeline has waited before a column: each time to the microsecond, as its end moved by it."""
    return sum((timedelta(seconds=shift_s) for column, shift_s in run.shifts if column < before), timedelta())


def _moved(knot: str, run: Run, before: int) -> datetime:
    return datetime.fromisoformat(knot) + waited_before(run, before)
