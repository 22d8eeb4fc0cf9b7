"""The strips that a machine's knife has cut off by an instant, as they were reported, and as they are planned."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from scheduling.answers.paper_to_come import RunToCome
from scheduling.log.models import HandUse, Run, Strip
from scheduling.paper.next_passage import OnRun, on_run
from scheduling.queries.machine_context import MachineContext

# The newest so many are told one by one.
MOST_STRIPS = 12


@dataclass(frozen=True)
class CutStrip:
    """A strip that was cut off, or is by then.

    Attributes:
        on: the run that it is of.
        first, end: its columns.
        at: from when to when it is cut: of one that was reported, the instant twice.
        is_reported: whether it was.
    """

    on: OnRun
    first: int
    end: int
    at: tuple[datetime, datetime]
    is_reported: bool


@dataclass(frozen=True)
class Strips:
    """Strips that were cut off.

    Attributes:
        number: how many, by a boundary of theirs.
        newest: the last of these, in order.
        by_hand: how often a person had the knife cut besides.
        hand_place: where it did so last; 0 where it never did.
    """

    number: int
    newest: tuple[CutStrip, ...]
    by_hand: int
    hand_place: int


def on_runs(context: MachineContext, names: Collection[str]) -> dict[str, OnRun]:
    """Runs of a machine on it, by their ids; one that was closed into an archive is missing."""
    rows = Run.objects.select_related("source").in_bulk(names) if names else {}
    return {id: on_run(context, run) for id, run in rows.items()}


def reported_strips(context: MachineContext, at: datetime) -> Strips:
    """Those whose cuts were reported, by an instant, UTC."""
    made = Strip.objects.filter(run__machine_id=context.machine.id, made=True, at__lte=at)
    newest = list(made.order_by("-at", "-boundary")[: MOST_STRIPS + 1])[::-1]
    on = on_runs(context, {one.run_id for one in newest})
    strips = []
    for before, one in pairwise([None, *newest]):
        if one is not None and one.run_id in on:
            is_next = before is not None and before.run_id == one.run_id
            first = before.boundary if before is not None and is_next else on[one.run_id].run.first_column
            strips.append(CutStrip(on[one.run_id], first, one.boundary, (one.at, one.at), True))
    uses = HandUse.objects.filter(machine_id=context.machine.id, action="cut", seen_done=True, at__lte=at)
    places = list(uses.order_by("version").values_list("paper_position", flat=True))
    return Strips(made.count(), tuple(strips[-MOST_STRIPS:]), len(places), max(places, default=0))


def with_coming(before: Strips, coming: Sequence[RunToCome], head: int) -> Strips:
    """The same with those that are cut by the time that a place stands under the head.

    Args:
        before: what was reported.
        coming: the runs that are printed until then.
        head: the place.
    """
    number, newest = before.number, list(before.newest)
    for one in coming:
        made = one.boundaries_by(head)
        number += made
        for index in range(max(0, made - MOST_STRIPS), made):
            end = one.work.boundary(index)
            first = one.work.boundary(index - 1) if index else _first(newest, one)
            span = one.on.at_knife(end)
            if span is not None:
                newest.append(CutStrip(one.on, first, end, (span.begins_at, span.ends_at), False))
    return Strips(number, tuple(newest[-MOST_STRIPS:]), before.by_hand, before.hand_place)


def _first(newest: Sequence[CutStrip], one: RunToCome) -> int:
    """Where the first strip to come begins: after the newest that was cut of the same run."""
    last = newest[-1] if newest else None
    return last.end if last is not None and last.on.run.id == one.run.id else int(one.run.first_column)
