"""A year of light at a place, in local civil time: what a picture of it draws.

Instants become wall time: POSIX seconds shifted by the zone's offset, so that a day is a local date and the seconds
in it are what the clock on the wall shows. At a change of the clocks a stretch is cut: an hour that is skipped stays
empty, one that is shown twice is there twice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import MAXYEAR, MINYEAR, UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np

from scheduling.sky import almanac
from scheduling.sky.arrays import FloatArray
from scheduling.sky.bodies import Body, sky
from scheduling.sky.civil import rfc5545_instant
from scheduling.sky.ephemeris import EphemerisRangeError
from scheduling.sky.moon import moon_faces
from scheduling.sky.places import Place
from scheduling.sky.timescales import DAY_S
from scheduling.sky.topocentric import SUN_UP, horizontal_degrees

LEVELS = ("day", "civil twilight", "nautical twilight", "astronomical twilight", "night")
_SUN_DEGREES = (SUN_UP.altitude_degrees, -6.0, -12.0, -18.0)
_SUN_KINDS = (
    *("sunrise", "sunset", "civil-dawn", "civil-dusk", "nautical-dawn", "nautical-dusk"),
    *("astronomical-dawn", "astronomical-dusk"),
)


@dataclass(frozen=True)
class LightStretch:
    """A part of one local date: the day of the year from 0, wall seconds from its midnight, and a value.

    The value is an index of :data:`LEVELS` for light, and the illuminated fraction for the Moon.
    """

    day: int
    begins_s: float
    ends_s: float
    value: float


@dataclass(frozen=True)
class ClockChange:
    """A change of the clocks: its instant (UTC), and by how much they are put forward (back is negative)."""

    at: datetime
    by: timedelta


@dataclass(frozen=True)
class LightYear:
    """A local year at a place.

    ``light`` covers every local date; ``moon`` only where the Moon is up. ``noons_s``: wall seconds of solar noon on
    each day, NaN where a date has none. ``day_lengths_s``: for how long the Sun is up on each local date.
    ``events``: those of the whole Earth, phases and seasons among them.
    """

    place: Place
    zone: ZoneInfo
    year: int
    light: list[LightStretch]
    moon: list[LightStretch]
    noons_s: FloatArray
    day_lengths_s: FloatArray
    clock_changes: list[ClockChange]
    events: list[almanac.SkyEvent]

    @property
    def days(self) -> int:
        """How many days the year has."""
        return len(self.day_lengths_s)

    def day_and_seconds(self, at: datetime) -> tuple[int, float]:
        """The local day of the year from 0, and the wall seconds in it, of an instant."""
        local = at.astimezone(self.zone).replace(tzinfo=UTC)
        day, rest = divmod(local - datetime(self.year, 1, 1, tzinfo=UTC), timedelta(days=1))
        return day, rest.total_seconds()


def light_year(place: Place, zone: ZoneInfo, year: int) -> LightYear:
    """The year at a place; raises EphemerisRangeError outside the ephemeris."""
    if not MINYEAR < year < MAXYEAR:
        raise EphemerisRangeError(None, *sky().ephemeris.span())
    start, end = (rfc5545_instant(_new_year(each).replace(tzinfo=None), zone) for each in (year, year + 1))
    spans = _spans(zone, start, end)
    first_midnight = _new_year(year).timestamp()
    days = (_new_year(year + 1) - _new_year(year)).days

    def stretches(kinds: tuple[str, ...], value: Callable[[FloatArray], FloatArray]) -> list[LightStretch]:
        edges = _edges(start, end, almanac.calendar(start, end, place, kinds))
        values = value(0.5 * (edges[:-1] + edges[1:]))
        return [stretch for span in spans for stretch in _in_wall_time(span, first_midnight, edges, values)]

    light = stretches(_SUN_KINDS, lambda posix: _level(place, posix))
    moon = stretches(("moonrise", "moonset", "solar-midnight"), lambda posix: _moonlight(place, posix))
    noons = almanac.find("solar-noon", start, end, place)
    found = LightYear(
        place=place,
        zone=zone,
        year=year,
        light=light,
        moon=[stretch for stretch in moon if stretch.value > 0.0],
        noons_s=np.full(days, np.nan),
        day_lengths_s=np.zeros(days),
        clock_changes=_clock_changes(spans),
        events=almanac.calendar(start, end),
    )
    for noon in noons:
        day, seconds = found.day_and_seconds(noon.at)
        found.noons_s[day] = seconds
    for stretch in light:
        if stretch.value == 0.0:
            found.day_lengths_s[stretch.day] += stretch.ends_s - stretch.begins_s
    return found


@dataclass(frozen=True)
class _Span:
    """POSIX seconds between which a zone keeps its offset from UTC."""

    begins: float
    ends: float
    offset_s: float


def _new_year(year: int) -> datetime:
    return datetime(year, 1, 1, tzinfo=UTC)


def _spans(zone: ZoneInfo, start: datetime, end: datetime) -> list[_Span]:
    """The spans of constant offset between two instants, to the second."""
    changes = [start.timestamp()]
    day = timedelta(days=1)
    at = start
    while at < end:
        if _offset_s(zone, at.timestamp()) != _offset_s(zone, (at + day).timestamp()):
            changes.append(_change(zone, at.timestamp(), (at + day).timestamp()))
        at += day
    changes = [change for change in changes if change < end.timestamp()]
    ends = [*changes[1:], end.timestamp()]
    return [_Span(begins, ends_, _offset_s(zone, begins)) for begins, ends_ in zip(changes, ends, strict=True)]


def _offset_s(zone: ZoneInfo, posix: float) -> float:
    offset = datetime.fromtimestamp(posix, zone).utcoffset()
    return offset.total_seconds() if offset is not None else 0.0


def _change(zone: ZoneInfo, low: float, high: float) -> float:
    """The first whole second at which the offset is no longer that at ``low``."""
    before = _offset_s(zone, low)
    while high - low > 1.0:
        middle = np.floor(0.5 * (low + high))
        low, high = (middle, high) if _offset_s(zone, middle) == before else (low, middle)
    return float(high)


def _clock_changes(spans: list[_Span]) -> list[ClockChange]:
    return [
        ClockChange(datetime.fromtimestamp(after.begins, UTC), timedelta(seconds=after.offset_s - before.offset_s))
        for before, after in pairwise(spans)
    ]


def _edges(start: datetime, end: datetime, events: list[almanac.SkyEvent]) -> FloatArray:
    return np.array([start.timestamp(), *(event.at.timestamp() for event in events), end.timestamp()])


def _in_wall_time(span: _Span, first_midnight: float, edges: FloatArray, values: FloatArray) -> Iterator[LightStretch]:
    """The stretches between the edges, with their values, as far as they fall in a span; cut at local midnights."""
    shift = span.offset_s - first_midnight
    low = np.clip(edges[:-1], span.begins, span.ends) + shift
    high = np.clip(edges[1:], span.begins, span.ends) + shift
    for begins, ends, value in zip(low.tolist(), high.tolist(), values.tolist(), strict=True):
        while begins < ends:
            day = int(begins // DAY_S)
            until = min(ends, (day + 1) * DAY_S)
            yield LightStretch(day, begins - day * DAY_S, until - day * DAY_S, value)
            begins = until


def _altitude_degrees(body: Body, place: Place, posix: FloatArray) -> FloatArray:
    over = sky()
    altitude, _ = horizontal_degrees(over, body, place, over.ephemeris.scales.tt_from_posix(posix))
    return altitude


def _level(place: Place, posix: FloatArray) -> FloatArray:
    """The index of :data:`LEVELS` at instants."""
    altitude = _altitude_degrees(sky().sun, place, posix)
    return np.asarray((altitude[:, None] < np.array(_SUN_DEGREES)).sum(axis=1), dtype=np.float64)


def _moonlight(place: Place, posix: FloatArray) -> FloatArray:
    """The illuminated fraction of the Moon where it is up, else zero."""
    up = _altitude_degrees(sky().moon, place, posix) > 0.0
    return np.where(up, moon_faces(posix).illuminated_fraction, 0.0)
