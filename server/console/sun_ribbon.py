"""A venue's daylight over months, as a band: dates along it, the local clock across it, the Sun up within it.

A sketch to a few minutes, from the Sun's declination and the equation of time, many dates at once; where minutes
matter, the almanac is asked.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np

from scheduling.rendering.sky_parameters import declination_degrees, equation_of_time_minutes
from scheduling.sky.arrays import FloatArray
from scheduling.sky.bodies import sky
from scheduling.sky.places import Place
from server.console.daylight import HORIZON_DEGREES

WIDTH, HEIGHT = 1000, 24
SAMPLES = 180
DAY_H = 24.0


@dataclass(frozen=True)
class Ribbon:
    """The outlines of daylight, units of a drawing of `WIDTH` by `HEIGHT`; and the shortest and longest day, hours."""

    outlines: tuple[str, ...]
    shortest_h: float
    longest_h: float


@lru_cache(maxsize=256)
def ribbon(place: Place, clock: ZoneInfo, begins: datetime, ends: datetime) -> Ribbon:
    """The daylight of a place between two instants."""
    noons = np.linspace(begins.timestamp(), ends.timestamp(), SAMPLES)
    half_h, noon_h = _days(place, noons)
    local = noon_h + np.array([_offset_h(posix, clock) for posix in noons])
    # Where the clock of the zone is far from the Sun, a day's light may reach over midnight: it is drawn twice.
    turned = [local + shift for shift in (-DAY_H, 0.0, DAY_H)]
    outlines = (_outline(middle - half_h, middle + half_h) for middle in turned)
    return Ribbon(tuple(filter(None, outlines)), float(2 * half_h.min()), float(2 * half_h.max()))


def _days(place: Place, posix: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Half of the length of each day, and when it is noon, UTC; both hours."""
    declination = np.radians(declination_degrees(sky().sun, posix))
    latitude = np.radians(min(max(place.latitude_degrees, -89.9), 89.9))
    cosine = (np.sin(np.radians(HORIZON_DEGREES)) - np.sin(latitude) * np.sin(declination)) / (
        np.cos(latitude) * np.cos(declination)
    )
    half_h = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))) / 15.0
    noon_h = DAY_H / 2 - place.longitude_degrees / 15.0 - equation_of_time_minutes(posix) / 60.0
    return half_h, noon_h


def _offset_h(posix: float, clock: ZoneInfo) -> float:
    offset = datetime.fromtimestamp(posix, UTC).astimezone(clock).utcoffset() or timedelta()
    return offset.total_seconds() / 3600.0


def _outline(rises: FloatArray, sets: FloatArray) -> str:
    upper, lower = np.clip(rises, 0.0, DAY_H), np.clip(sets, 0.0, DAY_H)
    if np.all(lower - upper <= 0):
        return ""
    x = np.linspace(0, WIDTH, len(upper)).round(1)
    y = [np.round(hours * HEIGHT / DAY_H, 1) for hours in (upper, lower)]
    there = [f"{a:g} {b:g}" for a, b in zip(x, y[0], strict=True)]
    back = [f"{a:g} {b:g}" for a, b in zip(x[::-1], y[1][::-1], strict=True)]
    return f"M{'L'.join([*there, *back])}z"
