"""What the sky does at a place from one local date to another: as data, as JSON, and as a table to read."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from machines.errors import InputError
from machines.serialization import format_instant
from scheduling.sky import almanac, cycles
from scheduling.sky.civil import day_bounds
from scheduling.sky.places import Place
from scheduling.sky.temporalhours import NoSunriseError
from scheduling.sky.timescales import posix_of
from scheduling.sky.zones import zone_version

MOST_DAYS = 1500
_CYCLES = tuple(name for name in cycles.CYCLE_NAMES if name != "period")
CONVENTIONS = (
    "Rise and set: upper limb, level horizon, 34 minutes of arc of refraction; twilights: the Sun's centre.",
    "Azimuth from north through east, altitude without refraction.",
)


@dataclass(frozen=True)
class Day:
    """A local date: the instants (UTC) at which it begins and ends, the counts of turns as it begins, its events.

    ``turns`` has None for temporal hours where the Sun does not rise and set then.
    """

    date: date
    begins: datetime
    ends: datetime
    turns: Mapping[str, float | None]
    events: list[almanac.SkyEvent]

    @property
    def length(self) -> timedelta:
        """24 hours, or what a change of the clocks makes of them."""
        return self.ends - self.begins


@dataclass(frozen=True)
class Listing:
    """The days at a place, in the time of a zone."""

    place: Place
    zone: ZoneInfo
    days: list[Day]


def listing(place: Place, zone: ZoneInfo, first: date, last: date) -> Listing:
    """The days from ``first`` to ``last``, both included.

    Raises InputError for dates the wrong way round or too many, EphemerisRangeError outside the ephemeris.
    """
    count = (last - first).days + 1
    if not 1 <= count <= MOST_DAYS:
        raise InputError("to", f"{first} to {last} is {count} days", f"give 1 to {MOST_DAYS} days")
    dates = [first + timedelta(days=index) for index in range(count)]
    bounds = [day_bounds(day, zone) for day in dates]
    events = almanac.calendar(bounds[0][0], bounds[-1][1], place)
    turns = _turns(place, [begins for begins, _ in bounds])
    days = [
        Day(day, begins, ends, counts, [event for event in events if begins <= event.at < ends])
        for day, (begins, ends), counts in zip(dates, bounds, turns, strict=True)
    ]
    return Listing(place, zone, days)


def as_json(listed: Listing) -> dict[str, Any]:
    """The listing as JSON values: instants in RFC 3339, counts of turns as numbers."""
    return {
        "place": {
            "latitude": listed.place.latitude_degrees,
            "longitude": listed.place.longitude_degrees,
            "elevation_m": listed.place.elevation_m,
        },
        "zone": listed.zone.key,
        "zone_database": zone_version(),
        "days": [
            {
                "date": day.date.isoformat(),
                "begins": format_instant(day.begins),
                "ends": format_instant(day.ends),
                "turns": dict(day.turns),
                "events": [event.to_json() | {"local": _local(event, listed.zone)} for event in day.events],
            }
            for day in listed.days
        ],
    }


def as_table(listed: Listing) -> str:
    """The listing as lines of text, times to the second."""
    return "\n".join(_lines(listed))


def _turns(place: Place, instants: list[datetime]) -> list[dict[str, float | None]]:
    """The counts of turns of every cycle at each instant."""
    posix = [posix_of(instant) for instant in instants]
    counts = {name: cycles.get(name).turns(posix).tolist() for name in _CYCLES if name != "temporal-hours"}
    counts["temporal-hours"] = [_temporal_hours(place, each) for each in posix]
    return [dict(zip(counts, at_once, strict=True)) for at_once in zip(*counts.values(), strict=True)]


def _temporal_hours(place: Place, posix: float) -> float | None:
    try:
        return float(cycles.get("temporal-hours", place=place).turns(posix))
    except NoSunriseError:
        return None


def _local(event: almanac.SkyEvent, zone: ZoneInfo) -> str:
    return event.at.astimezone(zone).isoformat(timespec="microseconds")


def _lines(listed: Listing) -> Iterator[str]:
    yield f"{listed.place}, elevation {listed.place.elevation_m:g} m; {listed.zone.key}, zone database {zone_version()}"
    yield from CONVENTIONS
    for day in listed.days:
        yield ""
        yield f"{day.date:%A} {day.date}" + _clocks(day)
        yield f"  {'local':23}{'UTC':23}event"
        for event in day.events:
            yield f"  {_to_second(event.at.astimezone(listed.zone)):23}{_to_second(event.at):23}{_described(event)}"
        yield "  turns at its beginning"
        for name, turns in day.turns.items():
            yield f"    {name:20}{'no sunrise and sunset then' if turns is None else f'{turns:15.6f}'}"


def _clocks(day: Day) -> str:
    if day.length == timedelta(hours=24):
        return ""
    return f", {day.length / timedelta(hours=1):g} hours long: the clocks change"


def _to_second(at: datetime) -> str:
    rounded = at.astimezone(UTC) + timedelta(microseconds=500_000)
    local = rounded.replace(microsecond=0).astimezone(at.tzinfo)
    return local.strftime("%m-%d %H:%M:%S") + ("Z" if at.tzinfo is UTC else local.strftime(" %z"))


def _described(event: almanac.SkyEvent) -> str:
    details = event.details
    if "azimuth_degrees" in details:
        return f"{event.kind}, azimuth {details['azimuth_degrees']:.1f}°"
    if "altitude_degrees" in details:
        return f"{event.kind}, altitude {details['altitude_degrees']:.1f}°"
    if "distance_km" in details:
        return f"{event.kind}, {details['distance_km']:.0f} km"
    if "umbral_magnitude" in details:
        return f"{event.kind}, {details['type']}, umbral magnitude {details['umbral_magnitude']:.3f}"
    return event.kind
