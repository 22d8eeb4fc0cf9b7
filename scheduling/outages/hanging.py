"""What hangs between head and knife at an instant, after a gap was settled: how far the machine is behind, and which
parts and seams are to be seen.

Places are counted from where printing stopped. Nothing is laid until the gap is noticed; then what is late is laid at
the machine's highest rate, by a rule that catches up only while closed in closed hours alone, until it is true again.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import accumulate, pairwise
from typing import Literal

from machines.recovery import Decision, Gap, Pace, Rule
from scheduling.outages.imagined import RunThere
from scheduling.outages.options import Part, parts_of, seams

HangingKind = Literal["before", "unknown", "again", "finished", "blank", "late", "shifted", "due"]
Standing = Literal["still", "late", "true", "over"]


@dataclass(frozen=True, kw_only=True)
class HangingPart:
    """Columns side by side that hang, from the knife's end to the head's.

    Attributes:
        kind: ``before`` printed before the outage, ``due`` laid at its instant; else what became of what was missed.
        columns: how many.
        paper_mm: their length.
    """

    kind: HangingKind
    columns: int
    paper_mm: float


@dataclass(frozen=True, kw_only=True)
class Hanging:
    """What is to be seen at an instant.

    Attributes:
        standing: ``still`` while nothing is laid, ``late`` while it catches up, ``true`` to the sky; ``over`` once the
            run's last column is due.
        behind: how many columns what is under the head is behind what is due.
        behind_s: the same in seconds of the sky.
        parts: from the knife to the head; of a machine without a knife, the last turn.
        seams: how many are in it, where columns meet that are no neighbours in the picture.
        is_whole: whether all that hangs is the picture without a seam, a blank or a column in doubt.
    """

    standing: Standing
    behind: int
    behind_s: float
    parts: tuple[HangingPart, ...]
    seams: int
    is_whole: bool


def hanging(there: RunThere, gap: Gap, rule: Rule, decision: Decision, at: datetime) -> Hanging:
    """What is to be seen at an instant not before the gap begins.

    Args:
        there: the run.
        gap: what was missed of it.
        rule: by which it was settled.
        decision: how.
        at: the instant, UTC.
    """
    parts, place = parts_of(decision), _head(there, gap, rule, decision, at)
    length = there.profile.knife_columns if there.profile.knife is not None else there.profile.columns_per_turn
    shown = tuple(_cut_to(parts, place.laid - length, place.laid, there.profile.column_pitch_mm))
    joints = sum(place.laid - length < seam.place < place.laid for seam in seams(parts, gap))
    return Hanging(
        standing=place.standing,
        behind=place.behind,
        behind_s=place.behind / there.pace.nominal_columns_per_s,
        parts=shown,
        seams=joints,
        is_whole=not joints and not any(part.kind in ("unknown", "blank") for part in shown),
    )


@dataclass(frozen=True)
class _Head:
    """How many places were fed since printing stopped, and by how many columns what is under the head is late."""

    standing: Standing
    laid: int
    behind: int


def _head(there: RunThere, gap: Gap, rule: Rule, decision: Decision, at: datetime) -> _Head:
    unknown, due = len(decision.unknown), max(gap.first, there.due(at))
    if at < gap.noticed_at:
        return _Head("still", unknown, due - gap.first)
    if decision.action == "shift":
        waited = there.due(at - timedelta(seconds=decision.shift_s))
        standing: Standing = "over" if waited >= there.run.end_column else "true"
        return _Head(standing, unknown + max(0, waited - decision.onward), 0)
    to_lay = decision.late + max(0, due - gap.end)
    laid = min(to_lay, _laid_late(rule, gap, there.pace, at)) if decision.late else to_lay
    blank = len(decision.blank) if laid >= len(decision.again) + len(decision.finished) else 0
    if laid < to_lay:
        return _Head("late", unknown + blank + laid, to_lay - laid)
    return _Head("over" if due >= there.run.end_column else "true", unknown + blank + laid, 0)


def _laid_late(rule: Rule, gap: Gap, pace: Pace, at: datetime) -> int:
    """How many columns it can have laid since the gap was noticed."""
    elapsed_s = (at - gap.noticed_at).total_seconds()
    if not rule.only_while_closed:
        return math.floor(elapsed_s * pace.highest_columns_per_s)
    closed_s = sum(
        max(0.0, (min(span.ends_at, at) - max(span.starts_at, gap.noticed_at)).total_seconds()) for span in gap.closed
    )
    return math.floor(closed_s * pace.highest_columns_per_s + (elapsed_s - closed_s) * pace.nominal_columns_per_s)


def _cut_to(parts: Sequence[Part], first: int, end: int, pitch_mm: float) -> Iterator[HangingPart]:
    """What lies in some places, in the order of the paper."""
    lengths = [len(part.columns) for part in parts]
    edges = [min(first, 0), 0, *accumulate(lengths), max(end, sum(lengths))]
    kinds: list[HangingKind] = ["before", *(part.kind for part in parts), "due"]
    for kind, (begins, ends) in zip(kinds, pairwise(edges), strict=True):
        columns = min(ends, end) - max(begins, first)
        if columns > 0:
            yield HangingPart(kind=kind, columns=columns, paper_mm=columns * pitch_mm)
