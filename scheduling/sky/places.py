"""A place on the Earth."""

from __future__ import annotations

import math
from dataclasses import dataclass

from machines.errors import InputError


class PlaceError(InputError):
    """A coordinate that is no place on the Earth; ``field`` names it."""


@dataclass(frozen=True)
class Place:
    """A point on or near the ground, in geodetic WGS 84 coordinates.

    ``latitude_degrees`` is north positive, ``longitude_degrees`` east positive, -180 to 180; ``elevation_m`` is above
    the ellipsoid. The elevation moves the observer (the Moon's parallax) but
    not the horizon: rise and set are for a level horizon, as in printed almanacs.

    Raises :class:`PlaceError` for a coordinate out of range or not a finite number.
    """

    latitude_degrees: float
    longitude_degrees: float
    elevation_m: float = 0.0

    def __post_init__(self) -> None:
        _check("latitude_degrees", self.latitude_degrees, -90.0, 90.0, "degrees, north positive")
        _check("longitude_degrees", self.longitude_degrees, -180.0, 180.0, "degrees, east positive")
        _check("elevation_m", self.elevation_m, -500.0, 10_000.0, "metres above the WGS 84 ellipsoid")

    def __str__(self) -> str:
        north_south = "N" if self.latitude_degrees >= 0 else "S"
        east_west = "E" if self.longitude_degrees >= 0 else "W"
        return f"{abs(self.latitude_degrees):.4f}°{north_south} {abs(self.longitude_degrees):.4f}°{east_west}"


def _check(field: str, value: float, low: float, high: float, unit: str) -> None:
    if not (math.isfinite(value) and low <= value <= high):
        raise PlaceError(field, f"{value!r} is out of range", f"give {low:g} to {high:g} ({unit})")
