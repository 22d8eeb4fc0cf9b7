"""The times of many passages of a place at once, in arrays: a year of them takes no longer than a page may."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from machines.clock import utc
from machines.model.slots import boundaries
from scheduling.paper.next_passage import TURNS_LOOKED_AT, OnRun, Passage, PassageQuery, Span, passage_of
from scheduling.paper.quiet_cuts import held_cuts
from scheduling.sky.arrays import FloatArray

Columns = NDArray[np.int64]
# Of a column that comes to no knife.
NEVER = -1


@dataclass(frozen=True, eq=False)
class PassageTimes:
    """Passages of a place, in order of time. Spans are POSIX seconds, of shape (2, passages): from when to when what a
    burst holds stands for; NaN where there is none.

    Attributes:
        columns: running columns.
        at: when the sky is there, POSIX seconds.
        laid: the burst in which each is laid.
        at_knife: in which it comes to the knife.
        cut_off: in which the strip with it is cut off.
    """

    columns: Columns
    at: FloatArray
    laid: FloatArray
    at_knife: FloatArray
    cut_off: FloatArray


def passage_times(on: OnRun, phase: float, begins: datetime, most: int, ends: datetime | None = None) -> PassageTimes:
    """The first passages of a phase at or after an instant, on a run.

    Args:
        on: the run.
        phase: of the turn, from 0 to below 1.
        begins: UTC.
        most: how many at most.
        ends: UTC; of what the sky reaches at it or later, only the first is told, which may be laid before.
    """
    columns, at = on.coming_columns(phase, begins, most)
    if ends is not None:
        within = int(np.searchsorted(at, ends.timestamp())) + 1
        columns, at = columns[:within], at[:within]
    done = [columns, _at_knife(on, columns), _at_knife(on, cuts_after(on, columns))]
    laid, at_knife, cut_off = np.split(_spans(on, np.concatenate(done)), len(done), axis=1)
    return PassageTimes(columns=columns, at=at, laid=laid, at_knife=at_knife, cut_off=cut_off)


def passages_of(
    on: OnRun, query: PassageQuery, phase: float, stands: str | None, times: PassageTimes
) -> Iterator[Passage]:
    """What is told of each of some passages, as `scheduling.paper.next_passage.told` tells one."""
    for at, column in enumerate(times.columns.tolist()):
        laid = on.spanned(*times.laid[:, at].tolist())
        spans = laid, _spanned(on, times.at_knife[:, at]), _spanned(on, times.cut_off[:, at])
        yield passage_of(on, query, (phase, stands), (column, utc(float(times.at[at]))), spans)


def _spanned(on: OnRun, span: FloatArray) -> Span | None:
    return None if np.isnan(span).any() else on.spanned(*span.tolist())


def _spans(on: OnRun, columns: Columns) -> FloatArray:
    """The bursts that hold columns, cut to the run, of shape (2, columns); NaN for none. See `OnRun.span`."""
    found, per_burst = np.full((2, len(columns)), np.nan), on.profile.columns_per_burst
    there = columns != NEVER
    starts = columns[there] - columns[there] % per_burst
    edges = np.stack([np.maximum(starts, on.run.first_column), np.minimum(starts + per_burst, on.run.end_column)])
    found[:, there] = on.instants(edges.ravel()).reshape(edges.shape)
    return found


def _at_knife(on: OnRun, columns: Columns) -> Columns:
    """The columns with which others come to the knife; see `OnRun.at_knife`."""
    last = columns + on.profile.knife_columns - 1
    comes = (columns != NEVER) & (last < on.run.end_column) & (on.profile.knife is not None)
    return np.where(comes, np.maximum(last, on.run.first_column), NEVER)


def cuts_after(on: OnRun, columns: Columns) -> Columns:
    """The boundaries at which the strips with columns are cut off; see `OnRun.cut_off`."""
    per_turn, reach = on.profile.columns_per_turn, TURNS_LOOKED_AT * on.profile.columns_per_turn
    found = np.full(len(columns), NEVER, dtype=np.int64)
    if not on.run.strips_per_turn or not len(columns):
        return found
    if on.quiet is None:
        return _next_boundary(columns, per_turn, on.run.strips_per_turn)
    starts = boundaries(int(columns[0]), int(columns[-1]) + reach, per_turn, on.run.strips_per_turn)
    held = held_cuts(starts, on.run, on.profile, on.instants, on.quiet)
    cut = np.array(starts[: len(held)], dtype=np.int64)[~held]
    index = np.searchsorted(cut, columns, side="right")
    there = index < len(cut)
    found[there] = cut[index[there]]
    found[found > columns + reach] = NEVER
    return found


def _next_boundary(columns: Columns, per_turn: int, slots: int) -> Columns:
    """The first beginning of a slot after each column, as `machines.model.slots` has them."""
    slot = columns * slots // per_turn

    def start(number: Columns) -> Columns:
        begins: Columns = (2 * number * per_turn + slots) // (2 * slots)
        return begins

    # Rounding moves a slot's beginning by half a column at most, and so the slot of a column by one.
    slot = np.where(start(slot + 1) <= columns, slot + 1, slot)
    slot = np.where(start(slot) > columns, slot - 1, slot)
    return start(slot + 1)
