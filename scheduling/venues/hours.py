"""The hours of a venue: setting them, and when it is closed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from machines.recovery import Span
from machines.serialization import structure
from scheduling.log.events.studio import HoursSet
from scheduling.log.models import Venue
from scheduling.log.store import Append, Attribution, append, stream_version
from scheduling.planning.local_spans import Instants
from scheduling.planning.opening_hours import Hours, closed_spans
from scheduling.queries.names import require
from scheduling.sky.zones import zone


def set_hours(venue: str, hours: Hours, by: Attribution, *, version: int | None = None) -> None:
    """From now on a venue has these hours, whatever it had before; the same again writes nothing.

    Args:
        venue: its id.
        hours: for all days.
        by: who says so.
        version: of the venue's stream on which it was decided; None for the newest.

    Raises:
        Unknown: there is no such venue.
        VersionConflict: somebody else changed the venue meanwhile.
    """
    stream = f"venue/{venue}"
    version = stream_version(stream) if version is None else version
    if venue_hours(require(Venue, "venue", venue)) != hours:
        append([Append(stream, version, [HoursSet(hours=hours)])], by)


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
    start = now.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    last = until.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    closed = venue_closed(venue, start, last + timedelta(days=1))
    return tuple(Span(starts_at=first, ends_at=end) for first, end in closed)
