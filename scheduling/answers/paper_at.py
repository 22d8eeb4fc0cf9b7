"""What is under a machine's head at an instant, past or to come, what hangs from there to its knife, and which strips
were cut off by then.

What is past is told as it was reported; what was not reported, and what is to come, as it is planned.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

import numpy as np

from machines.clock import utc
from machines.errors import InputError
from machines.protocol.recesses import Recess
from scheduling.answers.paper_before import newest_stretch, paper_before
from scheduling.answers.paper_to_come import runs_to_come
from scheduling.answers.strips_cut import CutStrip, Strips, on_runs, reported_strips, with_coming
from scheduling.log.models import PrintedStretch, Run
from scheduling.paper.next_passage import OnRun, on_run
from scheduling.paper.strip_now import Laid
from scheduling.queries.machine_context import MachineContext
from scheduling.queries.runs import runs_standing
from scheduling.venues.run_recesses import recess_of

# What is told of an instant: as it was reported; as it was planned, and not told yet; as it is planned.
Source = Literal["reported", "not-told-yet", "planned"]
# How far from now somebody may ask.
FARTHEST = timedelta(days=36_525)


@dataclass(frozen=True)
class BurstAt:
    """Columns of a run that are laid at once: from one column to before another."""

    on: OnRun
    first: int
    end: int

    @staticmethod
    def holding(on: OnRun, column: int) -> BurstAt:
        """The burst that holds a column, cut to its run."""
        start = on.profile.burst_start(column)
        end = min(start + on.profile.columns_per_burst, on.run.end_column)
        return BurstAt(on, max(start, on.run.first_column), end)


@dataclass(frozen=True, kw_only=True)
class PaperAt:
    """A machine's paper at an instant. Places are columns of paper since the machine's first.

    Attributes:
        context: the machine, now.
        at: the instant, UTC.
        source: what it is told by.
        head: the place under the head.
        newest: the burst that was laid last; None before the first.
        due: the burst that belongs under the head; None where no run is then.
        recess: the recess in which its run is then; None for none.
        laid: what was laid, in the order of the paper, as far back as was looked, what was cut off among it; what lies
            side by side is one, however many reports told of it.
        cut_off: up to which place of that it was cut off; where that is further back, its first.
        hangs: what lies between knife and head, in the order of the paper; where there is no knife, on the last turn's
            length.
        past_knife: what has passed the knife, and is not cut off; empty where there is none, or nothing is cut.
        cut: how many strips were cut off by then; None where there is no knife.
        cut_by_hand: how often a person had the knife cut besides, by then.
        strips: the newest of those, the oldest first.
        on_runs: the runs that are named, by id.
        unsure_columns: how many columns near the head may lie there, or not, by what was reported.
        late_columns: how many that are due then are not laid.
    """

    context: MachineContext
    at: datetime
    source: Source
    head: int
    newest: BurstAt | None
    due: BurstAt | None
    recess: Recess | None
    laid: tuple[Laid, ...]
    cut_off: int
    hangs: tuple[Laid, ...]
    past_knife: tuple[Laid, ...]
    cut: int | None
    cut_by_hand: int
    strips: tuple[CutStrip, ...]
    on_runs: Mapping[str, OnRun]
    unsure_columns: int
    late_columns: int

    @property
    def reach(self) -> int:
        """How many columns of paper are told: to the knife, or a turn where there is none."""
        return reach_of(self.context)


def require_near(at: datetime, now: datetime, field: str) -> None:
    """Check that an instant is one about which somebody may ask.

    Args:
        at: it, UTC.
        now: this instant.
        field: what it is called where it was given.

    Raises:
        InputError: it is more than a century away.
    """
    if abs(at - now) > FARTHEST:
        raise InputError(field, "more than a century from now", "give a nearer instant")


def reach_of(context: MachineContext) -> int:
    """How many columns of a machine's paper are in sight behind its head."""
    return context.profile.knife_columns if context.model.knife is not None else context.model.columns_per_turn


def paper_at(context: MachineContext, at: datetime, behind: int = 0, imagined: Run | None = None) -> PaperAt:
    """A machine's paper at an instant.

    Args:
        context: the machine, now.
        at: the instant, UTC.
        behind: how many columns of paper behind the head are looked at, at least. What has passed the knife and is not
            cut off is told for a turn at most in any case.
        imagined: a run that could be planned there, as if it was; None for none.
    """
    behind = max(behind, reach_of(context) + context.model.columns_per_turn)
    newest = newest_stretch(context)
    is_past = newest is not None and at < newest.at
    line = _reported(context, at, behind) if is_past else _planned(context, at, newest, behind, imagined)
    due = _due(context, at, imagined)
    missing = {one.run for one in line.laid} | ({due.on.run.id} if due is not None else set())
    on = dict(line.on) | on_runs(context, missing - line.on.keys())
    laid = [one for one in line.laid if one.run in on]
    last = BurstAt.holding(on[laid[-1].run], laid[-1].end - 1) if laid else None
    knife = line.head - reach_of(context)
    in_sight = tuple(_clipped(laid, line.head - behind, line.head))
    has_knife, cut_off = context.model.knife is not None, _cut_off(in_sight, line.strips)
    return PaperAt(
        context=context,
        at=at,
        source=line.source,
        head=line.head,
        newest=last,
        due=due,
        recess=None if due is None else recess_of(due.on.run, context.venue, at),
        laid=in_sight,
        cut_off=cut_off,
        hangs=tuple(_clipped(laid, knife, line.head)),
        past_knife=tuple(_clipped(laid, max(cut_off, knife - context.model.columns_per_turn), knife))
        if has_knife
        else (),
        cut=line.strips.number if has_knife else None,
        cut_by_hand=line.strips.by_hand,
        strips=line.strips.newest if has_knife else (),
        on_runs=on,
        unsure_columns=line.unsure,
        late_columns=_late(last, due) if is_past else line.late,
    )


@dataclass(frozen=True)
class _Line:
    """The paper up to an instant, as far back as is told, with the runs that were read for it."""

    source: Source
    head: int
    laid: Sequence[Laid]
    strips: Strips
    on: Mapping[str, OnRun]
    unsure: int = 0
    late: int = 0


def _reported(context: MachineContext, at: datetime, behind: int) -> _Line:
    found = paper_before(context, at, behind)
    return _Line("reported", found.head, found.laid, reported_strips(context, at), {}, found.unsure_columns)


def _planned(
    context: MachineContext, at: datetime, newest: PrintedStretch | None, columns: int, imagined: Run | None
) -> _Line:
    told = None if context.heartbeat is None else context.heartbeat.status.get("paper_position")
    fed = max(context.machine.paper_position, int(told or 0))
    coming = runs_to_come(context, fed, newest.at if newest is not None else None, at, imagined)
    laid_by = [one.laid_by(at) for one in coming]
    head = max([fed, *(one.base + laid for one, laid in zip(coming, laid_by, strict=True) if laid)])
    behind = head - columns
    laid = [one for one in _lying(context, behind) if one.place < fed]
    for one, number in zip(coming, laid_by, strict=True):
        laid += one.pieces(behind - one.base, number)
    return _Line(
        source="planned" if at > context.now else "not-told-yet",
        head=head,
        laid=laid,
        strips=with_coming(reported_strips(context, at), coming, head),
        on={one.run.id: one.on for one in coming},
        late=sum(one.number_of(one.end_due(at)) - number for one, number in zip(coming, laid_by, strict=True)),
    )


def _lying(context: MachineContext, behind: int) -> list[Laid]:
    """What was reported to lie beyond a place."""
    beyond = behind - context.model.columns_per_turn
    rows = PrintedStretch.objects.filter(machine_id=context.machine.id, paper_position__gt=beyond)
    rows = rows.order_by("paper_position", "version")
    return [Laid(*row) for row in rows.values_list("paper_position", "first_column", "end_column", "run_id")]


def _cut_off(laid: Sequence[Laid], strips: Strips) -> int:
    """Up to which place the paper was cut off; where that is further back than is told, the first that is."""
    if not laid:
        return 0
    place, strip = laid[0].place, strips.newest[-1] if strips.newest else None
    for one in laid:
        if strip is not None and one.run == strip.on.run.id:
            place = max(place, one.place + min(max(0, strip.end - one.first), one.end - one.first))
            if strip.end < one.end:
                break
    return max(place, strips.hand_place)


def _clipped(laid: Sequence[Laid], start: int, end: int) -> Iterator[Laid]:
    """What lies between two places; stretches that go on side by side are one."""
    whole: Laid | None = None
    for one in laid:
        first, last = max(one.place, start), min(one.end_place, end)
        if first >= last:
            continue
        part = Laid(first, one.first + first - one.place, one.end - (one.end_place - last), one.run)
        if whole is not None and (whole.run, whole.end, whole.end_place) == (part.run, part.first, part.place):
            whole = Laid(whole.place, whole.first, part.end, whole.run)
            continue
        if whole is not None:
            yield whole
        whole = part
    if whole is not None:
        yield whole


def _due(context: MachineContext, at: datetime, imagined: Run | None) -> BurstAt | None:
    """The burst that belongs under the head at an instant, by the plan; None where no run is then."""
    standing = runs_standing(context.machine.id).filter(starts_at__lte=at, ends_at__gt=at)
    run = standing.order_by("starts_at", "id").select_related("source").first()
    if imagined is not None and imagined.starts_at <= at < imagined.ends_at:
        run = imagined
    if run is None:
        return None
    on, posix = on_run(context, run), at.timestamp()
    # Some of what its timeline has waited it may have waited later.
    edges = [on.timeline.first_column_from(posix - waited) for waited in (run.shift_s, 0.0)]
    columns = np.arange(edges[0] - 1, edges[1] + 1)
    column = int(columns[max(0, int(np.searchsorted(on.instants(columns), posix, side="right")) - 1)])
    return BurstAt.holding(on, max(run.first_column, min(column, run.end_column - 1)))


def _late(newest: BurstAt | None, due: BurstAt | None) -> int:
    """How many columns the newest that was laid is behind what is due, on the same run."""
    if newest is None or due is None or newest.on.run.id != due.on.run.id:
        return 0
    return max(0, due.end - newest.end)


def when_due(on: OnRun, first: int, end: int) -> tuple[datetime, datetime]:
    """From when to when columns of a run belong under the head: as their bursts do."""
    a, b = BurstAt.holding(on, first), BurstAt.holding(on, end - 1)
    begins, ends = on.instants([a.first, b.end])
    return utc(float(begins)), utc(float(ends))
