"""Anchors: an instant named by what happens then, in JSON.

By the local civil time of a zone::

    {"civil": "2026-10-25T01:30:00", "zone": "Europe/Lisbon", "which": "earlier"}

or by an event of the sky at the venue, on a local civil date there, and an offset from it::

    {"event": "sunset", "date": "2026-06-21", "offset": "-PT40M"}

``which`` ("earlier" or "later") is needed only where a local time has two readings, or where an event comes
twice on one local date (two sunsets, at high latitudes). ``offset`` is an ISO 8601 duration and may be left out. An
event that takes options (``longitude``, ``altitude_degrees``) has them beside it. An offset is a year at most.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from machines.errors import InputError
from scheduling.sky import almanac, zones
from scheduling.sky.civil import CivilTimeError, Reading, day_bounds, instant_of, which_is_meant
from scheduling.sky.durations import format_duration, parse_duration
from scheduling.sky.ephemeris import EphemerisRangeError
from scheduling.sky.places import Place

__all__ = [
    "Anchor",
    "AnchorError",
    "CivilAnchor",
    "CivilTimeError",
    "EventAnchor",
    "NoEventError",
    "SeveralEventsError",
    "parse",
    "resolve",
]

_LOCAL_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d(:\d\d(\.\d{1,6})?)?", re.ASCII)
_WHICH = ("earlier", "later")
FIRST_YEAR, LAST_YEAR = 1900, 2100
LONGEST_OFFSET = timedelta(days=366)


class AnchorError(InputError):
    """An anchor that cannot be read or resolved; ``field`` names what is wrong in it."""


class NoEventError(AnchorError):
    """No such event on that local date; ``before`` and ``after`` are the nearest ones, None where there are none."""

    def __init__(self, anchor: EventAnchor, zone: ZoneInfo, before: Reading | None, after: Reading | None) -> None:
        dates = [str(each.at.date()) for each in (before, after) if each is not None]
        remedy = f"the nearest are on {' and '.join(dates)}" if dates else "nor is there within 400 days of it"
        super().__init__("date", f"there is no {anchor.event} on {anchor.date} ({zone.key})", remedy)
        self.before, self.after = before, after


class SeveralEventsError(AnchorError):
    """The event comes more than once on that local date; ``readings`` holds the first and the last."""

    def __init__(self, anchor: EventAnchor, zone: ZoneInfo, readings: tuple[Reading, Reading]) -> None:
        super().__init__(
            "which",
            f"there is more than one {anchor.event} on {anchor.date} ({zone.key})",
            which_is_meant(readings),
        )
        self.readings = readings


@dataclass(frozen=True)
class CivilAnchor:
    """A local civil time: ``civil`` carries no offset, ``zone`` is an IANA name."""

    civil: datetime
    zone: str
    which: str | None = None

    def to_json(self) -> dict[str, Any]:
        """The anchor as :func:`parse` reads it."""
        named = {"civil": self.civil.isoformat(), "zone": self.zone}
        return named | ({"which": self.which} if self.which else {})


@dataclass(frozen=True)
class EventAnchor:
    """An event of the sky on a local civil date, and a span from it (negative is before)."""

    event: str
    date: date
    offset: timedelta = timedelta(0)
    which: str | None = None
    options: Mapping[str, Any] = field(default_factory=dict, hash=False)

    def to_json(self) -> dict[str, Any]:
        """The anchor as :func:`parse` reads it."""
        named: dict[str, Any] = {"event": self.event, "date": self.date.isoformat()}
        if self.offset:
            named["offset"] = format_duration(self.offset)
        if self.which:
            named["which"] = self.which
        return named | dict(self.options)


Anchor = CivilAnchor | EventAnchor


def parse(data: Any) -> Anchor:
    """An anchor from JSON; raises :class:`AnchorError`, or ZoneError for a zone that does not exist."""
    if not isinstance(data, Mapping):
        raise AnchorError("", f"{data!r} is no anchor", 'give an object with "civil" and "zone", or "event" and "date"')
    if ("civil" in data) == ("event" in data):
        raise AnchorError("", "an anchor names either a civil time or an event", 'give one of "civil" and "event"')
    return _civil_anchor(data) if "civil" in data else _event_anchor(data)


def resolve(anchor: Anchor, place: Place, zone: ZoneInfo) -> datetime:
    """The instant (UTC) of an anchor at a venue: its place, and the zone in which its local dates are counted.

    Raises CivilTimeError for a local time with two readings or none, :class:`NoEventError` where the event does not
    happen that day, :class:`SeveralEventsError` where it happens twice, EphemerisRangeError outside the ephemeris.
    """
    if isinstance(anchor, CivilAnchor):
        return instant_of(anchor.civil, zones.zone(anchor.zone), anchor.which)
    start, end = day_bounds(anchor.date, zone)
    try:
        found = [event.at for event in almanac.find(anchor.event, start, end, place, **anchor.options)]
    except EphemerisRangeError as error:
        error.field = ""  # the almanac calls it "at"
        raise error.within("date") from None
    if not found:
        before, after = almanac.nearest(anchor.event, start, place, **anchor.options)
        raise NoEventError(
            anchor,
            zone,
            Reading("earlier", before.at.astimezone(zone)) if before else None,
            Reading("later", after.at.astimezone(zone)) if after else None,
        )
    if len(found) > 1 and anchor.which is None:
        raise SeveralEventsError(
            anchor, zone, (Reading("earlier", found[0].astimezone(zone)), Reading("later", found[-1].astimezone(zone)))
        )
    return (found[-1] if anchor.which == "later" else found[0]) + anchor.offset


def _civil_anchor(data: Mapping[str, Any]) -> CivilAnchor:
    _check_names(data, required=("civil", "zone"), optional=("which",))
    text = data["civil"]
    if not isinstance(text, str) or not _LOCAL_TIME.fullmatch(text):
        raise AnchorError("civil", f"{text!r} is no local time", "give one like 2026-10-25T01:30:00, without an offset")
    try:
        local = datetime.fromisoformat(text)
    except ValueError:
        raise AnchorError("civil", f"{text!r} is on no calendar or clock", "give a date and time that exist") from None
    require_year("civil", local.year)
    name = data["zone"]
    if not isinstance(name, str):
        raise AnchorError("zone", f"{name!r} is no name of a zone", "give one like Europe/Lisbon")
    return CivilAnchor(local, zones.zone(name).key, which_of(data))


def _event_anchor(data: Mapping[str, Any]) -> EventAnchor:
    kind = almanac.SKY_EVENT_KINDS.get(data["event"]) if isinstance(data["event"], str) else None
    if kind is None:
        raise AnchorError(
            "event", f"{data['event']!r} is no event", f"give one of: {', '.join(almanac.SKY_EVENT_KINDS)}"
        )
    _check_names(data, required=("event", "date", *kind.options), optional=("offset", "which"))
    return EventAnchor(
        event=data["event"],
        date=date_of(data["date"]),
        offset=offset_of(data.get("offset", "PT0S")),
        which=which_of(data),
        options=kind.check({name: data[name] for name in kind.options}),
    )


def _check_names(data: Mapping[str, Any], required: tuple[str, ...], optional: tuple[str, ...]) -> None:
    for name in required:
        if name not in data:
            raise AnchorError(name, "missing", f"an anchor of this kind needs {' and '.join(required)}")
    for name in data:
        if name not in required + optional:
            raise AnchorError(str(name), "no such field", f"the fields are {', '.join(required + optional)}")


def which_of(data: Mapping[str, Any]) -> str | None:
    """Which of two is meant; None where that is not said."""
    which = data.get("which")
    if which is not None and which not in _WHICH:
        raise AnchorError("which", f"{which!r} is neither", 'give "earlier" or "later"')
    return which


def date_of(text: Any) -> date:
    """A local date of an anchor."""
    try:
        if not re.fullmatch(r"\d{4}-\d\d-\d\d", text, re.ASCII):
            raise ValueError
        day = date.fromisoformat(text)
    except (TypeError, ValueError):
        raise AnchorError("date", f"{text!r} is no date", "give one like 2026-06-21") from None
    require_year("date", day.year)
    return day


def require_year(name: str, year: int) -> None:
    """Raise an AnchorError unless dates of a year can be asked for: local times near the ends of what a date can be
    would have no instant."""
    if not FIRST_YEAR <= year <= LAST_YEAR:
        raise AnchorError(name, f"the year {year} is out of reach", f"give one from {FIRST_YEAR} to {LAST_YEAR}")


def offset_of(text: Any) -> timedelta:
    """How far from what it names an anchor is."""
    try:
        offset = parse_duration(text)
    except InputError as error:
        raise AnchorError("offset", error.problem, error.remedy) from None
    if abs(offset) > LONGEST_OFFSET:
        longest = format_duration(LONGEST_OFFSET)
        raise AnchorError("offset", f"{text!r} is too long", f"give at most {longest} either way, or another date")
    return offset
