"""The rule of `machines.recovery.settlement` for many gaps at once, in arrays: the same arithmetic, which a test holds
against that function gap by gap.

Nothing is decided here that is not decided there; where one is changed, so is the other.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from machines.recovery import Pace, Rule
from scheduling.rehearsal.spans import BoolArray, FloatArray, IntArray, Spans


@dataclass(frozen=True, eq=False)
class Gaps:
    """Gaps of one pace, see `machines.recovery.Gap`.

    Attributes:
        first, unknown_end, end: running columns.
        noticed_s: when each is found, seconds.
        missing_since_s: the instant of the first missing column, on the same scale.
        segment_first, segment_end: the half-printed segment; equal where none is.
        known_until_s: until when closed hours are known.
    """

    first: IntArray
    unknown_end: IntArray
    end: IntArray
    noticed_s: FloatArray
    missing_since_s: FloatArray
    segment_first: IntArray
    segment_end: IntArray
    known_until_s: FloatArray


@dataclass(frozen=True, eq=False)
class Settled:
    """What becomes of each, see `machines.recovery.Decision`: counts of columns.

    Attributes:
        again, finished, skipped, replayed, shifted: how many.
        late: how many of them are laid late.
        onward: the column at which printing goes on where the timeline has waited.
        is_blank, is_shift: whether what is left out is fed blank; whether the timeline waits.
        seconds: until it is true again, or all is laid.
        shift_s: by how much all that follows is later.
    """

    again: IntArray
    finished: IntArray
    skipped: IntArray
    replayed: IntArray
    shifted: IntArray
    late: IntArray
    onward: IntArray
    is_blank: BoolArray
    is_shift: BoolArray
    seconds: FloatArray
    shift_s: FloatArray


def settle_all(rule: Rule, gaps: Gaps, pace: Pace, closed: Spans) -> Settled:
    """Settle gaps by one rule.

    Args:
        rule: for all of them.
        gaps: what is missing.
        pace: of sky and machine.
        closed: the venue's closed hours, on the scale of the gaps.
    """
    if rule.kind == "shift":
        return _wait(rule, gaps, pace)
    again, finished, skipped, replayed = _divide(rule, gaps, pace)
    late = again + finished + replayed
    seconds, left_out = _seconds(late, rule, gaps, pace, closed)
    if left_out.any():
        again, finished, replayed, late = (np.where(left_out, 0, part) for part in (again, finished, replayed, late))
        skipped = np.where(left_out, gaps.end - gaps.unknown_end, skipped)
    if pace.end_column is not None:
        reached = burst_start_from(gaps.end + np.ceil(seconds * pace.nominal_columns_per_s).astype(np.int64), pace)
        over = (seconds > 0.0) & (reached > pace.end_column)
        if over.any():
            seconds = np.where(over, _seconds_until_laid(late, rule, gaps, pace, closed), seconds)
    never, none = np.zeros(len(seconds), dtype=bool), np.zeros_like(gaps.end)
    return Settled(
        again=again,
        finished=finished,
        skipped=skipped,
        replayed=replayed,
        shifted=none,
        late=late,
        onward=gaps.end,
        is_blank=skipped > 0 if rule.kind == "blank" else never,
        is_shift=never,
        seconds=seconds,
        shift_s=np.zeros(len(seconds)),
    )


def _divide(rule: Rule, gaps: Gaps, pace: Pace) -> tuple[IntArray, IntArray, IntArray, IntArray]:
    """How many are laid again, finished, skipped and replayed, by the rule alone."""
    late_from, finished_end = _late_from(rule, gaps, pace), gaps.unknown_end
    if rule.half_printed == "abandon":
        late_from = np.maximum(late_from, _rest_end(gaps))
    elif rule.half_printed in ("finish", "again"):
        finished_end = _rest_end(gaps)
    touch = finished_end >= late_from  # all of it is replayed
    finished_end = np.where(touch, gaps.unknown_end, finished_end)
    late_from = np.where(touch, gaps.unknown_end, late_from)
    return _again(rule, gaps), finished_end - gaps.unknown_end, late_from - finished_end, gaps.end - late_from


def _late_from(rule: Rule, gaps: Gaps, pace: Pace) -> IntArray:
    if rule.kind in ("skip", "blank"):
        return gaps.end
    if rule.within is None:
        return gaps.unknown_end  # which is the end where nothing is left to replay
    columns = pace.columns_within(rule.within)
    newest = np.minimum(burst_start_from(gaps.end - columns, pace), gaps.end)
    return np.where(gaps.end - gaps.unknown_end <= columns, gaps.unknown_end, newest)


def _rest_end(gaps: Gaps) -> IntArray:
    half = gaps.segment_end > gaps.segment_first
    return np.where(half, np.minimum(gaps.segment_end, gaps.end), gaps.unknown_end)


def _again(rule: Rule, gaps: Gaps) -> IntArray:
    if rule.half_printed != "again":
        return np.zeros_like(gaps.end)
    return np.where(gaps.segment_end > gaps.segment_first, gaps.unknown_end - gaps.segment_first, 0)


def _seconds(late: IntArray, rule: Rule, gaps: Gaps, pace: Pace, closed: Spans) -> tuple[FloatArray, BoolArray]:
    """How long catching up takes, and of which it cannot be promised."""
    never = np.zeros(len(late), dtype=bool)
    if not pace.catches_up:
        return np.zeros(len(late)), late > 0
    needed = late / (pace.highest_columns_per_s - pace.nominal_columns_per_s)
    if not rule.only_while_closed or not late.any():
        return needed, never
    some = np.flatnonzero(late)  # to look at closed hours costs most
    target = closed.passed(gaps.noticed_s[some]) + needed[some]
    too_few = target > closed.passed(gaps.known_until_s[some])
    ends = closed.when(np.where(too_few, 0.0, target))
    seconds = np.zeros(len(late))
    seconds[some] = np.where(too_few, 0.0, ends - gaps.noticed_s[some])
    never[some] = too_few
    return seconds, never


def _seconds_until_laid(late: IntArray, rule: Rule, gaps: Gaps, pace: Pace, closed: Spans) -> FloatArray:
    assert pace.end_column is not None
    to_lay = (late + np.maximum(0, pace.end_column - gaps.end)).astype(np.float64)
    slow, fast = pace.nominal_columns_per_s, pace.highest_columns_per_s
    if not rule.only_while_closed:
        return to_lay / fast
    # What can be laid until an edge of the closed hours, at the sky's pace while open and at the highest while closed.
    edges = closed.edges
    until = slow * edges + (fast - slow) * closed.passed(edges)
    target = slow * gaps.noticed_s + (fast - slow) * closed.passed(gaps.noticed_s) + to_lay
    at_known_end = slow * gaps.known_until_s + (fast - slow) * closed.passed(gaps.known_until_s)
    within = np.interp(target, until, edges)
    within += np.minimum(0.0, target - until[0]) / slow + np.maximum(0.0, target - until[-1]) / slow
    beyond = gaps.known_until_s + (target - at_known_end) / slow
    return np.where(target > at_known_end, beyond, within) - gaps.noticed_s


def _wait(rule: Rule, gaps: Gaps, pace: Pace) -> Settled:
    again = _again(rule, gaps)
    begins = _rest_end(gaps) if rule.half_printed == "abandon" else gaps.unknown_end
    shifted = gaps.end - begins
    onward = np.where(again > 0, gaps.unknown_end - again, begins)
    columns = 1 + burst_start(gaps.unknown_end, pace) - burst_start(onward, pace)
    shift_s = np.maximum(0.0, gaps.noticed_s - gaps.missing_since_s + columns / pace.nominal_columns_per_s)
    left_out = ((shifted == 0) & (again == 0)) | np.isnan(gaps.missing_since_s)
    none, never = np.zeros_like(gaps.end), np.zeros(len(gaps.end), dtype=bool)
    return Settled(
        again=np.where(left_out, 0, again),
        finished=none,
        skipped=np.where(left_out, gaps.end, begins) - gaps.unknown_end,
        replayed=none,
        shifted=np.where(left_out, 0, shifted),
        late=none,
        onward=np.where(left_out, gaps.end, onward),
        is_blank=never,
        is_shift=~left_out,
        seconds=np.zeros(len(gaps.end)),
        shift_s=np.where(left_out, 0.0, shift_s),
    )


# `Pace` counts bursts of whole numbers; its arithmetic is that of arrays, too.


def burst_start(column: IntArray, pace: Any) -> IntArray:
    """See `Pace.burst_start`."""
    found: IntArray = pace.burst_start(column)
    return found


def burst_start_from(column: IntArray, pace: Any) -> IntArray:
    """See `Pace.burst_start_from`."""
    found: IntArray = pace.burst_start_from(column)
    return found
