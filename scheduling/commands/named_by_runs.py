"""Openings that are named by what a machine prints, where that changes: they keep their instants, and it is told."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from django.db.models import Q

from scheduling.commands.changes import ChangeWarning
from scheduling.commands.visits import NAMED_ONE_BY_ONE
from scheduling.log.models import Machine, Opening, Run
from scheduling.paper.run_anchors import goes_by_a_run, is_named_by, offset_in
from scheduling.sky.anchors import LONGEST_OFFSET
from scheduling.venues.local_time_text import venue_time


def no_longer_named(run: Run, machine: Machine, begins: datetime, ends: datetime) -> Iterator[ChangeWarning]:
    """Openings that are named by what a machine was to print or cut within a span, and does not: the first of them one
    by one, and how many others there are.

    Args:
        run: that it does not print then.
        machine: with its venue.
        begins, ends: the span, UTC.
    """
    said = list(_staying(run, machine, begins, ends))
    if (others := len(said) - NAMED_ONE_BY_ONE) > 0:
        said[NAMED_ONE_BY_ONE:] = [f"So it is for {others} beginnings and ends of openings more."]
    return (ChangeWarning(kind="named-by-this", in_words=told) for told in said)


def _staying(run: Run, machine: Machine, begins: datetime, ends: datetime) -> Iterator[str]:
    """What is said of each beginning and end of an opening that stays, in order of the openings."""
    venue, near = machine.venue, (begins - LONGEST_OFFSET, ends + LONGEST_OFFSET)
    standing = Opening.objects.filter(venue_id=venue.id, called_off_at=None)
    runs = set(Run.objects.filter(machine_id=machine.id).values_list("id", flat=True))
    for row in standing.filter(Q(opens_at__range=near) | Q(closes_at__range=near)).order_by("opens_at", "id"):
        for anchor, at, what in ((row.anchor, row.opens_at, ""), (row.closing, row.closes_at, "the end of ")):
            if anchor is None or at is None or not goes_by_a_run(anchor):
                continue
            if begins <= at - offset_in(anchor) < ends and is_named_by(anchor, machine.id, runs):
                when = f"{venue_time(at, venue)}, by the clock of {venue.zone}"
                told = f"{what}{row.name} stays at {when}; run {run.id} does not print then what it was named by."
                yield told[0].upper() + told[1:]
