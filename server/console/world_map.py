"""The world at an instant: land, day and night, the Sun, the venues with their clocks, and the meridian that is under
each head. Drawn to be seen beside words that say the same."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache, lru_cache
from itertools import groupby, pairwise

import numpy as np

from machines.imaging.pictures.geojson import read_land
from machines.imaging.pictures.rings import unwrap
from scheduling.log.models import Venue
from scheduling.rendering.sky_parameters import subsolar_degrees
from scheduling.sky.arrays import FloatArray
from server.console import formatting
from server.console.daylight import CIVIL_DEGREES, HORIZON_DEGREES
from server.console.machine_card import Station

WIDTH, HEIGHT, NORTH, SOUTH = 1000, 330, 78.0, -57.0
# Meridians between which the edge of the night is a straight line, degrees.
STEP_DEGREES = 3
# So many rows of meridians' names stand below the map; a name takes so much of its width, per cent a letter.
ROWS, MERIDIAN_LETTER = 3, 1.0
# A name takes so much of the map's width, per cent a letter, and of its height: on the screen of a desk.
LETTER, LINE = 0.85, 6.0
EAST_EDGE = 78.0


@dataclass(frozen=True)
class Place:
    """A venue on the map: units of the drawing, its name and clock, and where these stand, in per cent; ``anchor`` is
    empty where there is no room for them."""

    x: float
    y: float
    name: str
    time: str
    left: float
    top: float
    anchor: str


@dataclass(frozen=True)
class Meridian:
    """What is under one or more heads: where, in units and per cent, whose, and in which row below the map its name
    stands, from 1; 0 where there is no room."""

    x: float
    left: float
    row: int
    text: str
    anchor: str

    @property
    def down(self) -> float:
        """How far below the map its name stands, em."""
        return round(1.25 * self.row - 0.15, 2)


@dataclass(frozen=True)
class WorldMap:
    """The map.

    Attributes:
        shades: the outlines of dusk and of night, one over the other.
        sun: where it stands overhead, units.
        said: in words.
    """

    shades: tuple[str, ...]
    sun: tuple[float, float]
    places: tuple[Place, ...]
    meridians: tuple[Meridian, ...]
    said: str

    @property
    def rows(self) -> int:
        """How many rows of names stand below the map."""
        return max((one.row for one in self.meridians), default=0)


def world_map(now: datetime, venues: Sequence[Venue], stations: Iterable[Station]) -> WorldMap:
    """The world at an instant."""
    latitude, longitude = subsolar_degrees(now)
    north = "" if round(abs(latitude), 1) == 0 else " N" if latitude > 0 else " S"
    said = f"Day and night now: the Sun stands over {abs(latitude):.1f}°{north}, {formatting.longitude(longitude)}."
    return WorldMap(
        shades=_shades(round(latitude, 1), round(longitude, 1)),
        sun=(units_east(longitude), _y(latitude)),
        places=tuple(_places(now, venues)),
        meridians=tuple(_meridians(stations)),
        said=said,
    )


def units_east(longitude: float) -> float:
    """Where a longitude stands on the map, degrees, east positive; units of the drawing."""
    return round((longitude + 180.0) / 360.0 * WIDTH, 1)


def _y(latitude: float) -> float:
    return round((NORTH - min(max(latitude, SOUTH), NORTH)) / (NORTH - SOUTH) * HEIGHT, 1)


@cache
def land_path() -> str:
    """The land as a path in whole halves of a unit, each step from the point before."""
    rings = [unwrap(ring) for rings in read_land("land-110m").polygons for ring in rings]
    return "".join(_ring(ring, 360.0 * turn) for ring in rings for turn in (-1, 0, 1))


def _ring(ring: FloatArray, shift: float) -> str:
    """What a ring shows of itself on the map, shifted by so many degrees: land over the date line is at both edges."""
    x = np.rint(np.clip((ring[:, 0] + shift + 180.0) / 180.0 * WIDTH, -4, 2 * WIDTH + 4)).astype(int)
    y = np.rint((NORTH - np.clip(ring[:, 1], SOUTH - 2, NORTH + 2)) / (NORTH - SOUTH) * 2 * HEIGHT).astype(int)
    points = [point for point, _ in groupby(zip(x.tolist(), y.tolist(), strict=True))]
    if len({x for x, _ in points}) < 2 or len({y for _, y in points}) < 2:
        return ""
    steps = [(b[0] - a[0], b[1] - a[1]) for a, b in pairwise(points[:-1])]
    return f"M{points[0][0]} {points[0][1]}l" + "".join(f"{dx}{'' if dy < 0 else ' '}{dy} " for dx, dy in steps) + "z"


@lru_cache(maxsize=8)
def _shades(latitude: float, longitude: float) -> tuple[str, ...]:
    return tuple(_shade(latitude, longitude, depth) for depth in (HORIZON_DEGREES, CIVIL_DEGREES))


def _shade(latitude: float, longitude: float, altitude: float) -> str:
    """Where the Sun stands lower than an altitude.

    On a meridian, the sine of its altitude is R sin(latitude + phi), so that where it is lower is one interval of
    latitudes, which the poles may cut off.
    """
    meridians = np.arange(-180.0, 180.0 + STEP_DEGREES, STEP_DEGREES)
    sun, hours = np.radians(latitude), np.radians(meridians - longitude)
    a, b = np.sin(sun), np.cos(sun) * np.cos(hours)
    size, phi = np.hypot(a, b), np.arctan2(b, a)
    lowest = -np.sin(np.radians(altitude))
    dark = size > lowest
    half = np.pi / 2 - np.arcsin(np.clip(lowest / np.maximum(size, 1e-9), 0.0, 1.0))
    # The middle of the interval is where the Sun is lowest; of the same angles it is the one nearest to the equator.
    middle = (-np.pi / 2 - phi + np.pi) % (2 * np.pi) - np.pi
    low, high = np.degrees(np.maximum(middle - half, -np.pi / 2)), np.degrees(np.minimum(middle + half, np.pi / 2))
    dark &= high > low
    return "".join(_outline(meridians, low, high, one) for one in _runs(dark))


def _runs(dark: FloatArray) -> Iterator[list[int]]:
    for is_dark, numbers in groupby(range(len(dark)), key=lambda number: bool(dark[number])):
        if is_dark:
            yield list(numbers)


def _outline(meridians: FloatArray, low: FloatArray, high: FloatArray, run: list[int]) -> str:
    upper = [(units_east(float(meridians[one])), _y(float(high[one]))) for one in run]
    lower = [(units_east(float(meridians[one])), _y(float(low[one]))) for one in reversed(run)]
    return "M" + "L".join(f"{x:g} {y:g}" for x, y in [*upper, *lower]) + "z"


def _places(now: datetime, venues: Sequence[Venue]) -> Iterator[Place]:
    taken: list[tuple[float, float, float, float]] = []
    for venue in venues:
        x, y = units_east(venue.longitude_degrees), _y(venue.latitude_degrees)
        time = formatting.clock_time(now, venue.zone)
        left, top, anchor = _room(x, y, len(venue.name), taken)
        yield Place(x, y, venue.name, time, left, top, anchor)


def _room(x: float, y: float, letters: int, taken: list[tuple[float, float, float, float]]) -> tuple[float, float, str]:
    """Beside a dot, on the side on which nothing is yet: from where, how high, and which end of the name is there."""
    at, high, width = 100 * x / WIDTH, 100 * y / HEIGHT, max(letters, 5) * LETTER
    for anchor, dx in (("start", 1.0), ("end", -1.0)):
        for dy in (0.0, -1.5 * LINE, 1.5 * LINE):
            left = at + dx if anchor == "start" else at + dx - width
            top = min(max(high + dy, LINE), 100 - 2 * LINE)
            box = (left, left + width, top - LINE, top + 1.4 * LINE)
            if left >= 0 and left + width <= 100 and not any(_overlap(box, other) for other in taken):
                taken.append(box)
                return round(at + dx, 2), round(top, 2), anchor
    return at, high, ""


def _overlap(one: tuple[float, float, float, float], other: tuple[float, float, float, float]) -> bool:
    return one[0] < other[1] and other[0] < one[1] and one[2] < other[3] and other[2] < one[3]


def _meridians(stations: Iterable[Station]) -> Iterator[Meridian]:
    """One line for all heads over the same degree; those that print, as nobody knows of the others."""
    found: dict[int, list[tuple[Station, float, str]]] = {}
    for one in stations:
        printing = one.printing
        shown = None if printing is None else printing.head or printing.due
        if printing is None or shown is None or not one.is_printing:
            continue
        per_turn = one.context.model_of(printing.run).columns_per_turn
        longitude = formatting.longitude_under(printing.run.cycle, shown.column % per_turn / per_turn)
        if longitude is not None:
            found.setdefault(round(longitude), []).append((one, longitude, shown.means))
    taken = [0.0] * ROWS  # how far each row of names reaches
    for _, heads in sorted(found.items()):
        (first, longitude, means), *others = heads
        also = f" and {len(others)} more" if others else ""
        yield _meridian(units_east(longitude), f"{first.name}{also}: {means}", taken)


def _meridian(x: float, text: str, taken: list[float]) -> Meridian:
    """A name in the first row that has room for it."""
    at, width = 100 * x / WIDTH, len(text) * MERIDIAN_LETTER
    is_east = at > EAST_EDGE
    begins = at - width if is_east else at
    row = next((row for row, reached in enumerate(taken) if reached <= begins), None)
    if row is None:
        return Meridian(x, round(at, 2), 0, text, "start")
    taken[row] = begins + width + MERIDIAN_LETTER
    return Meridian(x, round(at, 2), row + 1, text, "end" if is_east else "start")
