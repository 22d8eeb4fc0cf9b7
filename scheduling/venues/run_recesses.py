"""The recesses of a run: as people hold it, and where it is printed only while open, the closed hours of its venue."""

from __future__ import annotations

from datetime import datetime, timedelta

from machines.protocol.recesses import Recess, recess_at
from scheduling.log.models import Run, Venue
from scheduling.queries.runs import recesses_of
from scheduling.venues.hours import venue_closed

# Closed hours are looked at so far on either side of an instant, for when they begin and end.
AROUND = timedelta(days=8)


def recess_of(run: Run, venue: Venue, at: datetime) -> Recess | None:
    """The recess that a run is in at an instant, by what people said: a board that has not heard of it prints on. None
    for none."""
    closed = recesses_closed(run, venue, at - AROUND, at + AROUND)
    return recess_at((*recesses_of(run), *closed), at) if run.holds or closed else None


def recesses_closed(run: Run, venue: Venue, start: datetime, end: datetime) -> tuple[Recess, ...]:
    """The closed hours between two instants in which nothing of a run is printed."""
    if not run.only_while_open:
        return ()
    return tuple(Recess(starts_at=first, ends_at=last) for first, last in venue_closed(venue, start, end))
