"""The policy after an outage: one pure function, called by the node and by the server.

The node calls it when it finds from its journal that columns are missing; the server calls it again with the same
facts when the report arrives, and says so if the results differ.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import get_args

from machines.errors import UnknownChoice
from machines.recovery.decision import Decision, RecoveryAction
from machines.recovery.inputs import NO_COLUMNS, Columns, Gap, Pace
from machines.recovery.policy import HalfPrinted, Policy, Rule, RuleKind

_BY_POLICY = "the policy is"
_LATE_TO_THE_END = "the run is over before the machine has caught up: what is left of it is late to its last column"
_OF_THE_HALF_PRINTED: dict[HalfPrinted, str] = {
    "finish": "the half-printed segment is finished late",
    "abandon": "the rest of the half-printed segment is left out",
    "again": "the half-printed segment is printed again from its beginning",
}


@dataclass(frozen=True, kw_only=True)
class _Parts:
    """What is to become of the missing columns, see `Decision`, and why."""

    skipped: Columns
    again: Columns = NO_COLUMNS
    finished: Columns = NO_COLUMNS
    replayed: Columns = NO_COLUMNS
    shifted: Columns = NO_COLUMNS
    shift_s: float = 0.0
    reasons: tuple[str, ...]


def settle(policy: Policy, gap: Gap, pace: Pace) -> Decision:
    """Decide what becomes of a gap.

    With a backlog of B columns, a nominal rate v and a highest rate w, catching up takes B / (w - v) seconds, in which
    the sky turns on by v B / (w - v) columns (common practice, no source). A machine that is no faster than the sky
    prints nothing late, and neither does one that may catch up only in closed hours of which too few are known: it
    stays true to the sky instead of promising what nobody can tell.

    Where the run's last column is due before that, the machine is never true again within it: all that is left is laid
    late, ``true_again`` is the run's end, and the time told is until its last column is laid.

    Raises:
        InputError: the rule is of a kind, or says something of the half-printed segment, that is not known here; or its
            limit is in turns, and the pace does not say how many columns those are.
    """
    rule = gap.rule(policy)
    _require_known(rule)
    if rule.kind == "shift":
        parts = _wait(rule, gap, pace)
        return _decision(gap, pace, parts, "shift" if parts.shifted or parts.again else "skip")
    parts = _divide(rule, gap, pace)
    late = len(parts.again) + len(parts.finished) + len(parts.replayed)
    seconds, why_not = _seconds_until_true(late, rule, gap, pace)
    if why_not:
        parts = _left_out(gap, why_not)
    elif _sky_passes_the_end(seconds, gap, pace):
        seconds = _seconds_until_laid(late, rule, gap, pace)
        parts = replace(parts, reasons=(*parts.reasons, _LATE_TO_THE_END))
    if rule.kind == "blank" and parts.skipped:
        return _decision(gap, pace, parts, "blank", seconds)
    return _decision(gap, pace, parts, "replay" if late and not why_not else "skip", seconds)


def _require_known(rule: Rule) -> None:
    """A rule of a later version is settled by nobody who does not know it: any other outcome would be a guess."""
    for name, known in (("kind", RuleKind), ("half_printed", HalfPrinted)):
        if (value := getattr(rule, name)) not in get_args(known):
            choices = ", ".join(get_args(known))
            raise UnknownChoice(name, f"{value!r} is no rule that is known here", f"give one of: {choices}")


def _divide(rule: Rule, gap: Gap, pace: Pace) -> _Parts:
    """The missing columns in three: those that finish the half-printed segment, those left out, those replayed."""
    late_from, reason = _late_from(rule, gap, pace)
    finished_end = gap.unknown_end
    if rule.half_printed == "abandon":
        late_from = max(late_from, _rest_end(gap))
    elif rule.half_printed in ("finish", "again"):
        finished_end = _rest_end(gap)
    if finished_end >= late_from:  # they touch: all of it is replayed
        finished_end = late_from = gap.unknown_end
    finished = Columns(first=gap.unknown_end, end=finished_end)
    return _Parts(
        skipped=_or_none_at_the_end(Columns(first=finished_end, end=late_from), gap),
        again=_again(rule, gap),
        finished=finished if finished else NO_COLUMNS,
        replayed=Columns(first=late_from, end=gap.end),
        reasons=(reason, *_said_of_the_half_printed(rule, gap)),
    )


def _or_none_at_the_end(columns: Columns, gap: Gap) -> Columns:
    """The columns; if they are none, none at the gap's end, as it has been written from the first version on."""
    return columns if columns else Columns(first=gap.end, end=gap.end)


def _left_out(gap: Gap, why: str) -> _Parts:
    return _Parts(
        skipped=Columns(first=gap.unknown_end, end=gap.end),
        replayed=Columns(first=gap.end, end=gap.end),
        reasons=(why,),
    )


def _late_from(rule: Rule, gap: Gap, pace: Pace) -> tuple[int, str]:
    """From which missed column on all are laid late, by the kind of the rule alone; and why."""
    if rule.kind == "skip":
        return gap.end, f"{_BY_POLICY} to stay true to the sky and leave out what was missed"
    if rule.kind == "blank":
        return gap.end, f"{_BY_POLICY} to leave out what was missed and feed blank paper in its place"
    if gap.unknown_end == gap.end:
        return gap.end, "nothing is left to replay"
    if rule.within is None:
        said = f"{_BY_POLICY} to print what was missed, {pace.ratio:.3g} times as fast as the sky turns"
        return gap.unknown_end, said
    limit, columns = rule.within.in_words(), pace.columns_within(rule.within)
    if gap.end - gap.unknown_end <= columns:
        return gap.unknown_end, f"{_BY_POLICY} to print what was missed, and all of it lies within {limit}"
    newest = min(pace.burst_start_from(gap.end - columns), gap.end)
    return newest, f"{_BY_POLICY} to print the newest {limit} of what was missed and leave out what is older"


def _rest_end(gap: Gap) -> int:
    """Where the rest of the half-printed segment ends, as far as the gap reaches."""
    return gap.unknown_end if gap.segment is None else min(gap.segment.end, gap.end)


def _again(rule: Rule, gap: Gap) -> Columns:
    if gap.segment is None or rule.half_printed != "again":
        return NO_COLUMNS
    return Columns(first=gap.segment.first, end=gap.unknown_end)


def _said_of_the_half_printed(rule: Rule, gap: Gap) -> tuple[str, ...]:
    if gap.segment is None or rule.half_printed == "as-the-rest":
        return ()
    return (_OF_THE_HALF_PRINTED[rule.half_printed],)


def _seconds_until_true(late: int, rule: Rule, gap: Gap, pace: Pace) -> tuple[float, str]:
    """How long it takes to catch up with so many columns; or why it cannot be promised."""
    if not late:
        return 0.0, ""
    if not pace.catches_up:
        return 0.0, "the machine is no faster than the sky: cannot catch up"
    needed_s = late / (pace.highest_columns_per_s - pace.nominal_columns_per_s)
    if not rule.only_while_closed:
        return needed_s, ""
    at = 0.0  # seconds since it was noticed
    for span in sorted(gap.closed, key=lambda span: span.starts_at):
        begins = max(at, (span.starts_at - gap.noticed_at).total_seconds())
        ends = (span.ends_at - gap.noticed_at).total_seconds()
        if ends - begins >= needed_s:
            return begins + needed_s, ""
        needed_s -= max(0.0, ends - begins)
        at = max(at, ends)
    return 0.0, "the closed hours that are known do not suffice to catch up in: what was missed is left out"


def _sky_passes_the_end(seconds: float, gap: Gap, pace: Pace) -> bool:
    """Whether the run's last column is due before the machine would be true again."""
    return seconds > 0.0 and pace.end_column is not None and _true_again(seconds, gap, pace) > pace.end_column


def _seconds_until_laid(late: int, rule: Rule, gap: Gap, pace: Pace) -> float:
    """How long it takes to lay what is late and all that follows to the end of the run, none of it at its instant.

    Nothing is due beyond the end, so the machine gains there by whatever it lays: at its highest rate, or, by a rule
    that catches up only while closed, at the sky's while the doors are open."""
    assert pace.end_column is not None
    to_lay = float(late + max(0, pace.end_column - gap.end))
    if not rule.only_while_closed:
        return to_lay / pace.highest_columns_per_s
    at = 0.0  # seconds since it was noticed
    for span in sorted(gap.closed, key=lambda span: span.starts_at):
        begins = max(at, (span.starts_at - gap.noticed_at).total_seconds())
        ends = max(begins, (span.ends_at - gap.noticed_at).total_seconds())
        for until, rate in ((begins, pace.nominal_columns_per_s), (ends, pace.highest_columns_per_s)):
            if to_lay <= (until - at) * rate:
                return at + to_lay / rate
            to_lay, at = to_lay - (until - at) * rate, until
    return at + to_lay / pace.nominal_columns_per_s


def _true_again(seconds: float, gap: Gap, pace: Pace) -> int:
    """The first column that is laid at its instant after so long; the sky turns on meanwhile."""
    return pace.burst_start_from(gap.end + math.ceil(seconds * pace.nominal_columns_per_s))


def _wait(rule: Rule, gap: Gap, pace: Pace) -> _Parts:
    """The timeline waits until printing goes on a column's time after the gap was noticed, so that there is time to
    order it. Columns of a plain period are evenly spaced, so that one instant tells the others."""
    again, said = _again(rule, gap), _said_of_the_half_printed(rule, gap)
    begins = _rest_end(gap) if rule.half_printed == "abandon" else gap.unknown_end
    skipped, shifted = Columns(first=gap.unknown_end, end=begins), Columns(first=begins, end=gap.end)
    if not (shifted or again):
        return _left_out(gap, "; ".join(("nothing is left to wait for", *said)))
    if gap.missing_since is None:
        return _left_out(gap, "how long the timeline would have to wait is not known: what was missed is left out")
    onward = again.first if again else begins
    columns = 1 + pace.burst_start(gap.unknown_end) - pace.burst_start(onward)
    shift_s = (gap.noticed_at - gap.missing_since).total_seconds() + columns / pace.nominal_columns_per_s
    return _Parts(
        skipped=_or_none_at_the_end(skipped, gap),
        again=again,
        shifted=shifted if shifted else NO_COLUMNS,
        replayed=Columns(first=gap.end, end=gap.end),
        shift_s=max(0.0, shift_s),
        reasons=(f"{_BY_POLICY} that the timeline waits, and all that follows is later", *said),
    )


def _decision(gap: Gap, pace: Pace, parts: _Parts, action: RecoveryAction, seconds: float = 0.0) -> Decision:
    """Parts, when they are made good, and what they cost. The sky turns on while the machine catches up."""
    unknown = Columns(first=gap.first, end=gap.unknown_end)
    laid = len(parts.again) + len(parts.finished) + len(parts.replayed) + len(parts.shifted)
    fed = len(unknown) + laid + (len(parts.skipped) if action == "blank" else 0)
    ml_per_column = (
        None if gap.dots_per_column is None or pace.ml_per_dot is None else gap.dots_per_column * pace.ml_per_dot
    )
    caught_up = _true_again(seconds, gap, pace)
    if pace.end_column is not None:
        caught_up = min(caught_up, max(gap.end, pace.end_column))
    return Decision(
        action=action,
        unknown=unknown,
        again=parts.again,
        finished=parts.finished,
        skipped=parts.skipped,
        replayed=parts.replayed,
        shifted=parts.shifted,
        true_again=caught_up if seconds else gap.end,
        hours_until_true=seconds / 3600.0,
        shift_s=parts.shift_s,
        paper_mm=None if pace.mm_per_column is None else fed * pace.mm_per_column,
        ink_ml=None if ml_per_column is None else laid * ml_per_column,
        reason=_reason(gap, parts),
    )


def _reason(gap: Gap, parts: _Parts) -> str:
    said = "; ".join(parts.reasons)
    if gap.override is None:
        return said
    by_word = "a person decided during the outage"
    return said.replace(_BY_POLICY, by_word) if _BY_POLICY in said else f"{by_word}, but {said}"
