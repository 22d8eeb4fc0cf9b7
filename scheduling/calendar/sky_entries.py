"""The sky in a venue's calendar: what can be asked for, and its entries."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from uuid import UUID

from machines.errors import InputError
from scheduling.calendar.entries import CalendarEntry, CalendarSpan, by_the_clock, uid_of
from scheduling.log.models import Venue
from scheduling.queries.venue_context import place_of
from scheduling.sky import almanac

# What can be asked for without more than its name.
SKY = tuple(name for name, kind in almanac.SKY_EVENT_KINDS.items() if not kind.options)
# A few dozen entries a year, wherever the venue is: what people plan by.
USUAL_SKY = (
    "new-moon",
    "first-quarter",
    "full-moon",
    "last-quarter",
    "march-equinox",
    "june-solstice",
    "september-equinox",
    "december-solstice",
)
# Six kinds that come every day, for a year and a month: about a second of work to write down.
MOST_SKY = 2500


def check_sky(kinds: Sequence[str]) -> None:
    """Raise an InputError unless every kind is one of `SKY`, and stands there once."""
    for index, kind in enumerate(kinds):
        if kind not in SKY:
            raise InputError("sky", f"{kind!r} is no event of the sky for a calendar", f"give some of: {','.join(SKY)}")
        if kind in kinds[:index]:
            raise InputError("sky", f"{kind} is given twice", "give it once")


def sky_entries(
    venue: Venue, kinds: Sequence[str], span: CalendarSpan, since: datetime, names: UUID
) -> Iterator[CalendarEntry]:
    """Events of the sky, named by the hour in which they fall: no kind has two in one hour, and a better ephemeris,
    which moves them by fractions of a second, renames hardly any.

    Args:
        venue: whose sky.
        kinds: of the almanac.
        span: of what is shown.
        since: when they became what they are, UTC.
        names: of the venue, see `uid_of`.

    Raises:
        InputError: these are more than `MOST_SKY`.
        EphemerisRangeError: the span reaches beyond the ephemeris.
    """
    events = almanac.calendar(span.start, span.end, place_of(venue), kinds)
    if len(events) > MOST_SKY:
        raise InputError("sky", f"{len(events)} events", f"give fewer kinds or days, for at most {MOST_SKY}")
    for event in events:
        what = f"{event.details['type']} {event.kind}" if "type" in event.details else event.kind
        yield CalendarEntry(
            uid=uid_of(names, f"sky/{event.kind}/{event.at:%Y-%m-%dT%H}"),
            starts_at=event.at,
            category="sky",
            title=what.replace("-", " ").capitalize(),
            description=by_the_clock(event.at, venue),
            changed_at=since,
        )
