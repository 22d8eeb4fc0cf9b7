"""What became of columns: intervals that do not overlap, exact whatever is reported and how often.

Several reports may speak of one column: a gap says that it may be on the paper and a later report that it is; a board
that was cloned may report again what was reported before. What is surer to be on the paper counts: *printed* before
*unknown* before *skipped*. So the order of reports does not matter, and no column is counted twice.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from typing import Any, Literal, NamedTuple

Outcome = Literal["printed", "skipped", "unknown"]

_SURENESS: dict[Outcome, int] = {"skipped": 1, "unknown": 2, "printed": 3}


class Interval(NamedTuple):
    """Running columns from ``first`` to before ``end`` with one outcome."""

    first: int
    end: int
    outcome: Outcome


def with_interval(intervals: list[Interval], new: Interval) -> list[Interval]:
    """Intervals in order, with one more laid over them."""
    if not intervals or intervals[-1].end <= new.first:  # as nearly always
        return _joined([*intervals, new])
    cuts = sorted({edge for interval in (*intervals, new) for edge in (interval.first, interval.end)})
    pieces = []
    for first, end in pairwise(cuts):
        here = [one.outcome for one in (*intervals, new) if one.first <= first and end <= one.end]
        if here:
            pieces.append(Interval(first, end, max(here, key=_SURENESS.__getitem__)))
    return _joined(pieces)


def _joined(pieces: Iterable[Interval]) -> list[Interval]:
    """Neighbours of the same outcome as one interval; empty ones left out."""
    laid: list[list[Any]] = []
    for piece in pieces:
        follow(laid, piece)
    return [Interval(*one) for one in laid]


def follow(laid: list[list[Any]], new: Interval) -> None:
    """Lay an interval behind others, which are kept as JSON keeps them and are changed in place."""
    first, end, outcome = new
    if first >= end:
        return
    if laid and laid[-1][1] == first and laid[-1][2] == outcome:
        laid[-1][1] = end
    else:
        laid.append([first, end, outcome])


def counts(intervals: Iterable[Interval]) -> dict[Outcome, int]:
    """How many columns have each outcome."""
    columns: dict[Outcome, int] = {"printed": 0, "skipped": 0, "unknown": 0}
    for first, end, outcome in intervals:
        columns[outcome] += end - first
    return columns


def outside(interval: Interval, spans: Iterable[tuple[int, int]]) -> list[Interval]:
    """The parts of an interval that lie in none of the spans, which are in the order of their beginnings."""
    left, parts = interval.first, []
    for first, end in spans:
        if end <= left or first >= interval.end:
            continue
        parts.append(interval._replace(first=left, end=max(left, first)))
        left = max(left, end)
    parts.append(interval._replace(first=min(left, interval.end)))
    return _joined(parts)


def clipped(interval: Interval, first: int, end: int) -> Interval:
    """The part of an interval that lies in a span; empty where it lies outside."""
    low = min(max(interval.first, first), end)
    return interval._replace(first=low, end=max(low, min(interval.end, end)))
