"""The sky in a venue's calendar: what can be asked for, and its entries."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from machines.errors import InputError
from scheduling.calendar.entries import CalendarEntry, CalendarSpan, by_the_clock, uid_of
from scheduling.calendar.known_venue import KnownVenue
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


def sky_entries(venues: Sequence[KnownVenue], kinds: Sequence[str], span: CalendarSpan) -> Iterator[CalendarEntry]:
    """Events of the sky, named by the hour in which they fall: no kind has two in one hour, and a better ephemeris,
    which moves them by fractions of a second, renames hardly any.

    What is the same wherever it is seen from stands there once, under one name at every venue, by the clock of the one
    that was added first.

    Args:
        venues: whose sky, in the order in which they were added.
        kinds: of the almanac.
        span: of what is shown.

    Raises:
        InputError: these are more than `MOST_SKY`.
        EphemerisRangeError: the span reaches beyond the ephemeris.
    """
    of_places = [kind for kind in kinds if almanac.SKY_EVENT_KINDS[kind].needs_place]
    elsewhere = [(one, of_places) for one in venues[1:]] if of_places else []
    left = MOST_SKY
    for known, asked in [*((one, kinds) for one in venues[:1]), *elsewhere]:
        events = almanac.calendar(span.start, span.end, known.there.place, asked)
        left -= len(events)
        if left < 0:
            raise InputError("sky", f"{MOST_SKY - left} events", f"give fewer kinds or days, for at most {MOST_SKY}")
        for event in events:
            yield _entry(known, event, event.kind in of_places)


def _entry(known: KnownVenue, event: almanac.SkyEvent, is_of_place: bool) -> CalendarEntry:
    what = f"{event.details['type']} {event.kind}" if "type" in event.details else event.kind
    return CalendarEntry(
        uid=uid_of(known.names if is_of_place else known.house, f"sky/{event.kind}/{event.at:%Y-%m-%dT%H}"),
        venue=known.venue.id if is_of_place else None,
        starts_at=event.at,
        category="sky",
        title=what.replace("-", " ").capitalize(),
        description=by_the_clock(event.at, known.venue),
        changed_at=known.place.at,
    )
