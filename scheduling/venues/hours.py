"""The hours of a venue: as they are set, and when it is closed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from machines.recovery import Span
from machines.serialization import structure
from scheduling.log.models import Venue
from scheduling.planning.local_spans import Instants
from scheduling.planning.opening_hours import Hours, closed_spans
from scheduling.sky.zones import zone


def venue_hours(venue: Venue) -> Hours | None:
    """A venue's hours; None where nobody has set any, which is not the same as being closed."""
    return None if venue.hours is None else structure(venue.hours, Hours)


def venue_closed(venue: Venue, start: datetime, end: datetime) -> tuple[Instants, ...]:
    """When a venue is closed between two instants, UTC; never, as far as is known, while it has no hours."""
    hours = venue_hours(venue)
    return () if hours is None else closed_spans(hours, zone(venue.zone), start, end)


def closed_as_told(venue: Venue, now: datetime, until: datetime) -> tuple[Span, ...]:
    """When a venue is closed, as its nodes are told: from the beginning of the UTC day to the end of that of ``until``,
    so that the same is told all day, and a node need not fetch it again."""
    closed = venue_closed(venue, *days_told(now, until))
    return tuple(Span(starts_at=first, ends_at=end) for first, end in closed)


def days_told(now: datetime, until: datetime) -> Instants:
    """From the beginning of the UTC day to the end of that of ``until``."""
    start = now.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    last = until.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    return start, last + timedelta(days=1)
