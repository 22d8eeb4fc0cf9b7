"""Columns of a run that are to be printed once more, although they lie on the paper or may lie there."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from machines.recovery import Columns
from scheduling.log.models import Run, Segment
from scheduling.log.outcomes import Interval, clipped, outside, with_interval
from scheduling.log.rows.row_cache import Rows


def ask_again(rows: Rows, run: Run, columns: Columns) -> None:
    """Columns are to be laid late: those that were printed before, or may have been, will be printed once more; none
    beyond the run's end, of which a board had not heard."""
    for segment in _holding(rows, run, columns.first, min(columns.end, run.end_column)):
        asked = _asked(segment)
        for first, end, outcome in segment.outcomes:
            if outcome != "skipped":
                asked = with_interval(asked, clipped(Interval(first, end, "printed"), columns.first, columns.end))
        _keep(run, segment, asked)


def no_longer_again(rows: Rows, run: Run, first: int, end: int) -> int:
    """Columns are not to be printed once more, or have been; returns how many those are."""
    before = run.again
    if before:
        for segment in _holding(rows, run, first, end, again__ne=[]):
            parts = (outside(one, [(first, end)]) for one in _asked(segment))
            _keep(run, segment, [part for some in parts for part in some])
    return before - run.again


def _holding(rows: Rows, run: Run, first: int, end: int, **lookups: Any) -> list[Segment]:
    if first >= end:
        return []
    return rows.change_where(Segment, run_id=run.id, first_column__lt=end, end_column__gt=first, **lookups)


def _asked(segment: Segment) -> list[Interval]:
    return [Interval(first, end, "printed") for first, end in segment.again]


def _keep(run: Run, segment: Segment, asked: Iterable[Interval]) -> None:
    before = sum(end - first for first, end in segment.again)
    segment.again = [[first, end] for first, end, _ in asked]
    run.again += sum(end - first for first, end in segment.again) - before
