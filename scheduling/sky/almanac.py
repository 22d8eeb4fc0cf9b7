"""The almanac: when the sky does what.

=======================================================  ======================================================
kind                                                     at
=======================================================  ======================================================
sunrise, sunset                                          the Sun's upper limb on the horizon, at a place
civil-, nautical-, astronomical-dawn and -dusk           the Sun's centre 6, 12, 18 degrees below it
sun-rising, sun-setting (altitude_degrees)               the Sun's centre at an altitude, at a place
moonrise, moonset; moon-rising, moon-setting             the same for the Moon
solar-noon, solar-midnight, moon-transit                 over the meridian of a place; under it
sun-over-meridian, moon-over-meridian (longitude)        over a longitude
march-equinox ... december-solstice                      apparent longitude of the Sun 0, 90, 180, 270 degrees
new-moon, first-quarter, full-moon, last-quarter         apparent longitude of the Moon less the Sun's, the same
perihelion, aphelion; perigee, apogee                    the Sun or the Moon nearest to the Earth's centre, farthest
lunar-eclipse                                            greatest eclipse, penumbral ones too
=======================================================  ======================================================

Conventions of rise and set: a level horizon, whatever the elevation; the upper limb; 34 arcminutes of refraction.
The Sun's semidiameter is taken as 16 arcminutes, so its centre stands at -50 arcminutes (US Naval Observatory).
The Moon's follows its distance. Twilights and given altitudes are of the centre, without refraction. Real refraction
near the horizon varies by several arcminutes, and real rise and set by a minute or so, far more at high latitudes.

Where there is none (polar day and night, a day without a transit of the Moon) nothing is found.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from machines.serialization import format_instant
from scheduling.sky.bodies import sky
from scheduling.sky.civil import instant_in_words
from scheduling.sky.events import SKY_EVENT_KINDS, AlmanacError, Request
from scheduling.sky.places import Place
from scheduling.sky.timescales import datetime_of, posix_of

__all__ = ["SKY_EVENT_KINDS", "AlmanacError", "SkyEvent", "calendar", "find", "nearest"]


@dataclass(frozen=True)
class SkyEvent:
    """An event of the sky: its kind, its instant (UTC, to the microsecond), and what else is known of it.

    ``details``: ``azimuth_degrees`` (from north through east) of a rise or set, ``altitude_degrees`` of a transit
    (both without refraction), ``longitude`` of a meridian, ``distance_km``, and for an eclipse its ``type``,
    magnitudes and the instants of its contacts.
    """

    kind: str
    at: datetime
    details: Mapping[str, Any] = field(default_factory=dict, hash=False)

    def to_json(self) -> dict[str, Any]:
        """The event as JSON has it, with RFC 3339 instants."""
        details = {
            name: format_instant(value) if isinstance(value, datetime) else value
            for name, value in self.details.items()
        }
        return {"kind": self.kind, "at": format_instant(self.at), **details}


def find(kind: str, start: datetime, end: datetime, place: Place | None = None, **options: Any) -> list[SkyEvent]:
    """The events of one kind from ``start`` until before ``end`` (aware datetimes), in order.

    Raises :class:`AlmanacError` for a question that makes no sense, EphemerisRangeError outside the ephemeris.
    """
    return _find(kind, _request(start, end, place), start, end, options)


def calendar(
    start: datetime, end: datetime, place: Place | None = None, kinds: Iterable[str] | None = None
) -> list[SkyEvent]:
    """The events of many kinds from ``start`` until before ``end``, in order of time.

    Without ``kinds``, of every kind that takes no options; without a place, of those that need none. Raises as
    :func:`find` does.
    """
    request = _request(start, end, place)
    if kinds is None:
        kinds = [name for name, kind in SKY_EVENT_KINDS.items() if not kind.options and (place or not kind.needs_place)]
    found = [event for kind in kinds for event in _find(kind, request, start, end, {})]
    return sorted(found, key=lambda event: event.at)


def nearest(
    kind: str, at: datetime, place: Place | None = None, *, within: timedelta = timedelta(days=400), **options: Any
) -> tuple[SkyEvent | None, SkyEvent | None]:
    """The last event of a kind before ``at`` and the first one from then on, None where there is none ``within``."""
    ephemeris_start, ephemeris_end = sky().ephemeris.span()
    before = find(kind, max(at - within, ephemeris_start), at, place, **options)
    after = find(kind, at, min(at + within, ephemeris_end), place, **options)
    return (before[-1] if before else None), (after[0] if after else None)


def _find(kind: str, request: Request, start: datetime, end: datetime, options: Mapping[str, Any]) -> list[SkyEvent]:
    definition = SKY_EVENT_KINDS.get(kind)
    if definition is None:
        raise AlmanacError("kind", f"{kind!r} is no event of the sky", f"give one of: {', '.join(SKY_EVENT_KINDS)}")
    checked = definition.check(options)
    if definition.needs_place and request.place is None:
        raise AlmanacError("place", f"{kind} depends on where it is seen from", "give a place")
    events = [SkyEvent(kind, datetime_of(posix), details) for posix, details in definition.find(request, **checked)]
    return [event for event in events if start <= event.at < end]


def _request(start: datetime, end: datetime, place: Place | None) -> Request:
    """The span, a second wider at both ends: what is found is cut to it once it is rounded to microseconds."""
    for name, instant in (("start", start), ("end", end)):
        if instant.tzinfo is None:
            raise AlmanacError(name, f"{instant.isoformat()} has no offset from UTC", "give an aware datetime")
    if end < start:
        raise AlmanacError(
            "end", f"{instant_in_words(end)} is before the start", f"give {instant_in_words(start)} or later"
        )
    over = sky()
    scales = over.ephemeris.scales
    over.ephemeris.check_tt(scales.tt_from_posix(np.array([posix_of(start), posix_of(end)])))
    first, last = (posix_of(instant) for instant in over.ephemeris.span())
    return Request(over, max(posix_of(start) - 1.0, first), min(posix_of(end) + 1.0, last), place)
