"""The zones that are named after places near a place: a choice, as only borders say which is right."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache

from scheduling.sky.zones import zone_table

EARTH_RADIUS_KM = 6371.0
# Degrees, minutes and perhaps seconds of a latitude and a longitude (ISO 6709), as in the database's own table.
_PLACE = re.compile(r"([+-])(\d\d)(\d\d)(\d\d)?([+-])(\d{3})(\d\d)(\d\d)?", re.ASCII)


@dataclass(frozen=True)
class NearZone:
    """A zone, and how far the place is that it is named after.

    Attributes:
        name: of the IANA database.
        km: as the crow flies.
    """

    name: str
    km: float


def zones_near(latitude_degrees: float, longitude_degrees: float, count: int = 3) -> tuple[NearZone, ...]:
    """The zones whose places are nearest, the nearest first."""
    here = _direction(latitude_degrees, longitude_degrees)
    found = [NearZone(name, EARTH_RADIUS_KM * _angle(here, there)) for name, there in _places()]
    return tuple(sorted(found, key=lambda one: one.km)[:count])


@cache
def _places() -> tuple[tuple[str, tuple[float, float, float]], ...]:
    """Each zone of a country, and the direction of its place from the middle of the Earth."""
    rows = (line.split("\t") for line in zone_table().splitlines() if not line.startswith("#"))
    return tuple((row[2], _direction(*_degrees(row[1]))) for row in rows)


def _degrees(text: str) -> tuple[float, float]:
    match = _PLACE.fullmatch(text)
    assert match is not None, text
    parts = match.groups(default="0")
    latitude, longitude = (
        (-1.0 if sign == "-" else 1.0) * (int(degrees) + int(minutes) / 60.0 + int(seconds) / 3600.0)
        for sign, degrees, minutes, seconds in (parts[:4], parts[4:])
    )
    return latitude, longitude


def _direction(latitude_degrees: float, longitude_degrees: float) -> tuple[float, float, float]:
    latitude, longitude = math.radians(latitude_degrees), math.radians(longitude_degrees)
    across = math.cos(latitude)
    return across * math.cos(longitude), across * math.sin(longitude), math.sin(latitude)


def _angle(one: tuple[float, float, float], other: tuple[float, float, float]) -> float:
    """Between two directions, radians, by the chord between them, which is exact for near ones."""
    return 2.0 * math.asin(min(1.0, math.dist(one, other) / 2.0))
