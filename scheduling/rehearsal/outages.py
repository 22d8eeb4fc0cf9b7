"""An outage in some seasons of a block: found, settled by the rule of the machine, and what follows of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from machines.model.slots import slot_start
from machines.recovery import Rule
from scheduling.rehearsal import settling
from scheduling.rehearsal.rates import DAY_S
from scheduling.rehearsal.season import Season
from scheduling.rehearsal.settling import Gaps, Settled
from scheduling.rehearsal.spans import BoolArray, FloatArray, IntArray
from scheduling.rehearsal.state import State, backlog, due, ink_since


@dataclass(frozen=True, eq=False)
class Stops:
    """Outages, one a season.

    Attributes:
        these: the seasons, their numbers in the block.
        at: from when on it lays nothing.
        until: when it goes on, if it does not rest then.
        chance: by which a burst was in hand; 1 where none may be in doubt.
        is_rest: whether these are rests, which are planned: their seams are no flaws.
    """

    these: IntArray
    at: FloatArray
    until: FloatArray
    chance: FloatArray
    is_rest: bool = False

    def where(self, mask: BoolArray) -> Stops:
        """Some of them."""
        return Stops(self.these[mask], self.at[mask], self.until[mask], self.chance[mask], self.is_rest)


def stop(season: Season, state: State, rule: Rule, stops: Stops) -> None:
    """Have it stand still, settle what is missed, and print on; those in which it stood still anyway come to
    nothing. When supplies end is to be looked at anew (`look_ahead`)."""
    stops = _beyond_now(season, state, stops)
    these = stops.these
    if not len(these):
        return
    gaps = _gaps(season, state, rule, stops)
    settled = settling.settle_all(rule, gaps, season.pace, season.times.closed)
    unknown = gaps.unknown_end - gaps.first
    head = gaps.unknown_end + state.offset[these]
    was_moving = stops.at > state.now[these]
    state.still_head[these] = np.where(was_moving, head, state.still_head[these])
    state.still_flaw[these] = np.where(was_moving, state.flaw_end[these], state.still_flaw[these])
    used = ink_since(season, state, stops.at, head.astype(np.float64), these)
    state.ink_used[these] += used
    state.ink_left[these] -= used
    _count(season, state, stops, settled, unknown)
    _go_on(state, rule, stops, settled, gaps, head)


def _beyond_now(season: Season, state: State, stops: Stops) -> Stops:
    """From when on they make a difference; to the run's end at the furthest. What ends in a rest ends with it, and
    where it stood still anyway no burst was in hand."""
    until = np.minimum(season.times.rests.next_out(stops.until), season.length_s)
    now = state.now[stops.these]
    chance = np.where(stops.at < now, 1.0, stops.chance)
    stops = Stops(stops.these, np.maximum(stops.at, now), until, chance, stops.is_rest)
    return stops.where(stops.until > stops.at)


def _gaps(season: Season, state: State, rule: Rule, stops: Stops) -> Gaps:
    these, burst, last = stops.these, season.pace.columns_per_burst, season.pace.end_column
    assert last is not None
    reached, behind = due(season, state, stops.at, these), backlog(season, state, stops.at, these)
    late = behind > 0
    in_hand = stops.chance < np.where(late, 1.0, season.duty)
    # The first burst that is not begun; while it is late, that after the one which it is in the middle of.
    begun = settling.burst_start_from(reached - behind, season.pace)
    begun = np.minimum(np.maximum(begun, season.first_column), last)
    first = np.where(in_hand, np.maximum(season.first_column, begun - burst), begun)
    end = settling.burst_start_from(due(season, state, stops.until, these), season.pace)
    end = np.minimum(np.maximum(end, begun), last)
    segment_first, segment_end = _half_printed(season, rule, begun, first)
    missing_since = (begun - season.first_column) / season.pace.nominal_columns_per_s + state.shift[these]
    # To the end of that day of UTC: see `scheduling.venues.hours.days_told`.
    to_day, ahead_s = season.times.until_day_s, season.times.known_ahead_s
    known = np.floor((stops.until + ahead_s - to_day) / DAY_S + 1.0) * DAY_S + to_day
    return Gaps(first, begun, end, stops.until, missing_since, segment_first, segment_end, known)


def _half_printed(season: Season, rule: Rule, begun: IntArray, first: IntArray) -> tuple[IntArray, IntArray]:
    """The segment of the last column ordered, where not the whole of it is known to be on the paper."""
    if rule.half_printed == "as-the-rest":
        return begun, begun
    columns, segments = season.pace.columns_per_turn, season.segments_per_turn
    assert columns is not None and season.pace.end_column is not None
    start: Any = slot_start  # of arrays its arithmetic is the same
    ordered = begun - 1
    # The largest s whose slot, from (2 s C + S) // (2 S) on, begins at this column or before it.
    number = (segments * (2 * ordered + 1) - 1) // (2 * columns)
    begins = np.maximum(start(number, columns, segments), season.first_column)
    ends = np.minimum(start(number + 1, columns, segments), season.pace.end_column)
    half = (begins <= ordered) & (ordered >= season.first_column) & ((ends > begun) | (first < begun))
    return np.where(half, begins, begun), np.where(half, ends, begun)


def _count(season: Season, state: State, stops: Stops, settled: Settled, unknown: IntArray) -> None:
    """Time off the sky, without that of rests: what an earlier outage was still to be made good counts once."""
    these, length, awake = stops.these, season.length_s, season.times.rests.outside
    until = np.where(settled.late > 0, stops.until + settled.seconds, stops.until)
    begins = awake(stops.at)
    ahead = awake(np.minimum(until, length)) - begins
    state.off_s[these] += ahead - np.maximum(0.0, awake(np.minimum(state.until[these], length)) - begins)
    state.down_s[these] += awake(stops.until) - begins
    state.until[these] = until
    state.skipped[these] += settled.skipped
    state.unknown[these] += unknown


def _go_on(state: State, rule: Rule, stops: Stops, settled: Settled, gaps: Gaps, head: IntArray) -> None:
    """Where what follows lies on the paper, and what of it a visitor sees."""
    these = stops.these
    blank = np.where(settled.is_blank, settled.skipped, 0)
    before = np.where(settled.skipped > 0, settled.again + settled.finished + blank, settled.again)
    flawed = (settled.skipped > 0) | (settled.again > 0) | (gaps.first < gaps.unknown_end)
    flawed &= not stops.is_rest
    onward = np.where(settled.is_shift, settled.onward, gaps.end - settled.late)
    state.flaw_end[these] = np.where(flawed, head + before, state.flaw_end[these])
    state.offset[these] = head + blank - onward
    state.head[these] = head + blank
    state.blank[these] += blank
    state.backlog[these] = np.where(settled.is_shift, 0, settled.late)
    state.by_doors[these] = rule.only_while_closed
    state.shift[these] += settled.shift_s
    state.now[these] = stops.until
