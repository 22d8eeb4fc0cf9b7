"""Openings that are named by what a machine prints, where that changes: they keep their instants, and it is told."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Any

from scheduling.commands.changes import ChangeWarning
from scheduling.log.models import Machine, Opening, Run
from scheduling.paper.run_anchors import goes_by_a_run, machine_of, offset_in
from scheduling.sky.zones import zone
from scheduling.venues.local_time_text import moment_in_words


def no_longer_named(run: Run, machine: Machine, begins: datetime, ends: datetime) -> Iterator[ChangeWarning]:
    """Openings that are named by what a machine was to print or cut within a span, and does not.

    Args:
        run: that it does not print then.
        machine: with its venue.
        begins, ends: the span, UTC.
    """
    venue = machine.venue
    standing = Opening.objects.filter(venue_id=venue.id, called_off_at=None)
    for row in standing.order_by("opens_at", "id"):
        for anchor, at, what in ((row.anchor, row.opens_at, ""), (row.closing, row.closes_at, "the end of ")):
            if at is not None and _is_named_within(anchor, at, machine, begins, ends):
                when = f"{moment_in_words(at, zone(venue.zone))}, by the clock of {venue.zone}"
                told = f"{what}{row.name} stays at {when}; run {run.id} does not print then what it was named by."
                yield ChangeWarning(kind="named-by-this", in_words=told[0].upper() + told[1:])


def _is_named_within(
    anchor: dict[str, Any] | None, at: datetime, machine: Machine, begins: datetime, ends: datetime
) -> bool:
    if anchor is None or not goes_by_a_run(anchor) or machine_of(anchor) != machine.id:
        return False
    return begins <= at - offset_in(anchor) < ends
