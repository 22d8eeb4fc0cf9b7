"""The quiet hours of a venue: as they are set, and between two instants."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from functools import partial

from machines.recovery import Span
from machines.serialization import structure
from scheduling.log.models import Venue
from scheduling.planning.local_spans import Instants
from scheduling.planning.quiet_hours import QuietHours, quiet_spans
from scheduling.sky.zones import zone
from scheduling.venues.hours import days_told

# When it is to be quiet between two instants.
QuietBetween = Callable[[datetime, datetime], tuple[Instants, ...]]


def quiet_hours(venue: Venue) -> QuietHours | None:
    """A venue's quiet hours; None where nobody has set any."""
    return None if venue.quiet is None else structure(venue.quiet, QuietHours)


def quiet_of(venue: Venue) -> QuietBetween | None:
    """When it is to be quiet at a venue, to be asked of any span; None where it never is."""
    hours = quiet_hours(venue)
    return None if hours is None or hours == QuietHours() else partial(quiet_spans, hours, zone(venue.zone))


def loud_s(quiet: QuietBetween | None, start: datetime, end: datetime) -> float:
    """How long it is not quiet between two instants, seconds, in which idle nozzles are fired; 0 where the end comes
    first."""
    whole_s = max(0.0, (end - start).total_seconds())
    if quiet is None:
        return whole_s
    return whole_s - sum((ends - begins).total_seconds() for begins, ends in quiet(start, end))


def quiet_as_told(venue: Venue, now: datetime, until: datetime) -> tuple[Span, ...]:
    """When it is to be quiet at a venue, as its nodes are told; see `scheduling.venues.hours.closed_as_told`."""
    quiet = quiet_of(venue)
    spans = () if quiet is None else quiet(*days_told(now, until))
    return tuple(Span(starts_at=first, ends_at=end) for first, end in spans)
