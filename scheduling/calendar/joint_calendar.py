"""One calendar of several venues: the studio's, and each person's."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from scheduling.calendar.entries import CalendarEntry, CalendarSpan
from scheduling.calendar.known_venue import known_venues
from scheduling.calendar.sky_entries import USUAL_SKY, check_sky
from scheduling.calendar.venue_calendar import entries_at
from scheduling.log.models import Venue
from scheduling.rendering.plate_store import PlateStore


@dataclass(frozen=True, kw_only=True)
class JointCalendar:
    """What several venues' calendars hold over a span, in order; an entry has the same name in each.

    Attributes:
        names: of the venues, by id.
        entries: each of them once.
    """

    names: Mapping[str, str]
    entries: tuple[CalendarEntry, ...]


def joint_calendar(
    venues: Sequence[Venue], span: CalendarSpan, now: datetime, plates: PlateStore, sky: Sequence[str] = USUAL_SKY
) -> JointCalendar:
    """The calendar of several venues; as for `venue_calendar`."""
    check_sky(sky)
    entries = entries_at(known_venues(venues), span, now, plates, sky)
    return JointCalendar(names={venue.id: venue.name for venue in venues}, entries=entries)
