"""Eclipses of the Moon: the Moon in the Earth's shadow.

The axis of the shadow points away from the apparent Sun. The atmosphere makes the shadow larger than the solid
Earth's: after Danjon, by 1.01 times the Moon's equatorial horizontal parallax (F. Espenak and J. Meeus, Five Millennium
Catalog of Lunar Eclipses, NASA/TP-2009-214173). Other almanacs enlarge it by other rules, and give magnitudes that
differ by about 0.005 and contacts that differ by up to a minute; the shadow's edge is no sharper.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from scheduling.sky.arrays import FloatArray
from scheduling.sky.bodies import Sky
from scheduling.sky.search import root
from scheduling.sky.topocentric import EQUATORIAL_RADIUS_KM
from scheduling.sky.vectors import angle_between, length

SUN_RADIUS_KM = 696_000.0
MOON_RADIUS_KM = 0.2725076 * EQUATORIAL_RADIUS_KM  # IAU 1982
DANJON = 1.01

# The Moon crosses the penumbra in less than seven hours, and is nearest the axis within an hour of full Moon.
_HALF_WINDOW_S = 5.0 * 3600.0


@dataclass(frozen=True)
class LunarEclipse:
    """One eclipse of the Moon; instants in seconds of TT since J2000.0.

    ``greatest``: the Moon nearest to the axis of the shadow. Magnitudes: the part of its diameter in umbra and in
    penumbra then; that of the umbra is negative for a penumbral eclipse. ``penumbral``, ``partial``, ``total``:
    first and last contact of each stage, None where the stage does not occur.
    """

    greatest_tt: float
    umbral_magnitude: float
    penumbral_magnitude: float
    penumbral: tuple[float, float] | None
    partial: tuple[float, float] | None
    total: tuple[float, float] | None

    @property
    def type(self) -> str:
        """How deep it goes: total, partial or penumbral."""
        if self.total:
            return "total"
        return "partial" if self.partial else "penumbral"


@dataclass(frozen=True)
class _Shadow:
    """Angles in radians at instants: the Moon from the axis; the radii of Moon, umbra and penumbra."""

    separation: FloatArray
    moon: FloatArray
    umbra: FloatArray
    penumbra: FloatArray


# How near the axis the Moon must be, for each stage.
def _in_penumbra(shadow: _Shadow) -> FloatArray:
    return shadow.penumbra + shadow.moon


def _in_umbra(shadow: _Shadow) -> FloatArray:
    return shadow.umbra + shadow.moon


def _inside_umbra(shadow: _Shadow) -> FloatArray:
    return shadow.umbra - shadow.moon


def eclipses_at(over: Sky, full_moons: FloatArray) -> list[LunarEclipse]:
    """The eclipses among full Moons, given by their instants of TT, in order."""
    recession = partial(_recession, over)
    before, after = full_moons - _HALF_WINDOW_S, full_moons + _HALF_WINDOW_S
    greatest = root(recession, before, after, recession(before), recession(after))
    shadow = _shadow(over, greatest)
    return [_eclipse(over, tt) for tt in greatest[shadow.separation < _in_penumbra(shadow)]]


def _eclipse(over: Sky, greatest: float) -> LunarEclipse:
    shadow = _shadow(over, np.array([greatest]))
    return LunarEclipse(
        greatest_tt=greatest,
        umbral_magnitude=_magnitude(shadow, _in_umbra),
        penumbral_magnitude=_magnitude(shadow, _in_penumbra),
        penumbral=_contacts(over, greatest, _in_penumbra),
        partial=_contacts(over, greatest, _in_umbra),
        total=_contacts(over, greatest, _inside_umbra),
    )


def _magnitude(shadow: _Shadow, reach: Callable[[_Shadow], FloatArray]) -> float:
    return float(((reach(shadow) - shadow.separation) / (2.0 * shadow.moon))[0])


def _contacts(over: Sky, greatest: float, reach: Callable[[_Shadow], FloatArray]) -> tuple[float, float] | None:
    """When the Moon comes into reach and leaves it; None if it never does."""

    def beyond(tt: FloatArray) -> FloatArray:
        shadow = _shadow(over, tt)
        return shadow.separation - reach(shadow)

    middle = np.array([greatest, greatest])
    outside = middle + np.array([-_HALF_WINDOW_S, _HALF_WINDOW_S])
    at_middle = beyond(middle)
    if at_middle[0] >= 0.0:
        return None
    first, last = root(beyond, middle, outside, at_middle, beyond(outside))
    return float(first), float(last)


def _recession(over: Sky, tt: FloatArray) -> FloatArray:
    """How much the Moon recedes from the axis within a minute, radians."""
    return _shadow(over, tt + 30.0).separation - _shadow(over, tt - 30.0).separation


def _shadow(over: Sky, tt: FloatArray) -> _Shadow:
    sun, moon = over.sun.vector_km(tt), over.moon.vector_km(tt)
    sun_distance, moon_distance = length(sun), length(moon)
    enlarged = DANJON * EQUATORIAL_RADIUS_KM / moon_distance
    parallax = EQUATORIAL_RADIUS_KM / sun_distance
    return _Shadow(
        separation=angle_between(moon, -sun),
        moon=np.arcsin(MOON_RADIUS_KM / moon_distance),
        umbra=enlarged + parallax - SUN_RADIUS_KM / sun_distance,
        penumbra=enlarged + parallax + SUN_RADIUS_KM / sun_distance,
    )
