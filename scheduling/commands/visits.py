"""Who comes to a venue while a run there changes, in words: its openings and its service windows."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from scheduling.log.models import Opening, Venue
from scheduling.queries.venue_context import venue_context
from scheduling.venues.local_time_text import venue_time
from scheduling.venues.service_windows import windows_of

# Service windows and openings that are named one by one; the others are counted.
NAMED_ONE_BY_ONE = 5


def visits_in_words(venue: Venue, begins: datetime, ends: datetime, what: str) -> Iterator[str]:
    """What is so at the openings and in the service windows of a venue within a span.

    Args:
        venue: which.
        begins, ends: the span, UTC.
        what: is so, a sentence.
    """
    there = [f"At {name}, on {venue_time(at, venue)}, {what}" for name, at in _visits(venue, begins, ends)]
    yield from there[:NAMED_ONE_BY_ONE]
    if len(there) > NAMED_ONE_BY_ONE:
        yield f"So it is for {len(there) - NAMED_ONE_BY_ONE} openings and service windows more."


def _visits(venue: Venue, begins: datetime, ends: datetime) -> Iterator[tuple[str, datetime]]:
    """Each with when it begins."""
    opens = {"opens_at__gte": begins, "opens_at__lt": ends}
    for opening in Opening.objects.filter(venue_id=venue.id, called_off_at=None, **opens).order_by("opens_at", "id"):
        yield opening.name, opening.opens_at
    for window in windows_of(venue_context(venue), begins, ends):
        yield window.name, window.starts_at
