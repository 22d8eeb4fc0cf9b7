"""The hours of a venue: setting them, and when it is closed."""

from __future__ import annotations

from datetime import datetime

from machines.structure import structure
from scheduling.hours import Hours, Span, closed_spans
from scheduling.log.events import HoursSet
from scheduling.log.models import Venue
from scheduling.log.store import Append, Attribution, append, stream_version
from scheduling.named import require
from scheduling.sky.zones import zone


def set_hours(venue: str, hours: Hours, by: Attribution) -> None:
    """From now on a venue has these hours, whatever it had before; the same again writes nothing.

    Raises:
        Unknown: there is no such venue.
        LostRace: somebody else changed the venue meanwhile.
    """
    stream = f"venue/{venue}"
    version = stream_version(stream)
    if venue_hours(require(Venue, "venue", venue)) != hours:
        append([Append(stream, version, [HoursSet(hours=hours)])], by)


def venue_hours(venue: Venue) -> Hours | None:
    """A venue's hours; None where nobody has set any, which is not the same as being closed."""
    return None if venue.hours is None else structure(venue.hours, Hours)


def venue_closed(venue: Venue, start: datetime, end: datetime) -> tuple[Span, ...]:
    """When a venue is closed between two instants, UTC; never, as far as is known, while it has no hours."""
    hours = venue_hours(venue)
    return () if hours is None else closed_spans(hours, zone(venue.zone), start, end)
