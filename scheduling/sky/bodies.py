"""Sun, Moon and equinox as smooth functions of Terrestrial Time: asked of skyfield once, sampled from then on.

Directions are apparent (light time, aberration, deflection) and geocentric, referred to the true equator and
equinox of date (IAU 2006 precession, IAU 2000A nutation).

The right ascension is counted from the celestial intermediate origin, so that the Greenwich hour angle is the
Earth rotation angle less it (IERS Conventions 2010, section 5.5): the hour angle then depends on UT1 through
the Earth rotation angle alone, and what is left is smooth in TT and can be sampled. Angles are turns; right
ascension and longitude are kept as the difference from a linear mean motion, which never nears half a turn, so
that the count of turns is continuous without any unwrapping.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from skyfield.earthlib import earth_rotation_angle
from skyfield.framelib import ecliptic_frame
from skyfield.timelib import Time
from skyfield.vectorlib import VectorFunction

from scheduling.sky.arrays import FloatArray
from scheduling.sky.chebyshev import SampledFunction
from scheduling.sky.ephemeris import Ephemeris, load
from scheduling.sky.timescales import DAY_S
from scheduling.sky.vectors import TAU, direction

CENTURY_S = 36_525.0 * DAY_S

# Components of a body's sampled coordinates, equatorial and ecliptic.
RIGHT_ASCENSION, DECLINATION, DISTANCE = range(3)
LONGITUDE, LATITUDE = range(2)

# Earth rotation angle: IAU 2000 Resolution B1.8; turns at J2000.0 UT1, and turns a day beyond one.
ERA_AT_J2000 = 0.7790572732640
ERA_EXCESS_PER_DAY = 0.00273781191135448
ERA_RATE = (1.0 + ERA_EXCESS_PER_DAY) / DAY_S  # turns a second of UT1


@dataclass(frozen=True)
class MeanMotion:
    """A mean longitude that grows linearly: degrees at J2000.0 and degrees a Julian century."""

    at_j2000: float
    per_century: float

    @property
    def rate(self) -> float:
        """Turns a second of TT."""
        return self.per_century / 360.0 / CENTURY_S

    def turns(self, tt: FloatArray) -> FloatArray:
        """Turns since the equinox, at TT."""
        return self.at_j2000 / 360.0 + self.rate * tt


# Mean longitudes: J. Meeus, Astronomical Algorithms (1998), eq. 25.2 and 47.1. Only carriers: what they lack is
# in the samples.
SUN_MEAN = MeanMotion(280.46646, 36_000.76983)
MOON_MEAN = MeanMotion(218.3164477, 481_267.88123421)


@dataclass(frozen=True)
class Body:
    """The Sun or the Moon; every function takes seconds of TT since J2000.0.

    ``equatorial`` samples right ascension and declination, ``ecliptic`` longitude and latitude, each with the
    geometric distance in km: two, because longitude moves so slowly that its instants ask for finer samples.
    """

    name: str
    mean: MeanMotion
    equatorial: SampledFunction
    ecliptic: SampledFunction

    def right_ascension(self, tt: FloatArray) -> FloatArray:
        """Right ascension from the celestial intermediate origin in turns, continuous (not folded to 0..1)."""
        return self.mean.turns(tt) + self.equatorial.value(tt, RIGHT_ASCENSION)

    def longitude(self, tt: FloatArray) -> FloatArray:
        """Apparent ecliptic longitude of date in turns, continuous (not folded to 0..1)."""
        return self.mean.turns(tt) + self.ecliptic.value(tt, LONGITUDE)

    def distance_km(self, tt: FloatArray) -> FloatArray:
        """Geometric distance between the centres of the Earth and the body."""
        return self.ecliptic.value(tt, DISTANCE)

    def vector_km(self, tt: FloatArray) -> FloatArray:
        """The vector (3, ...) from the Earth's centre, in the true equator of date, from the celestial
        intermediate origin."""
        ascension, dec, distance = self.equatorial.values(tt, (RIGHT_ASCENSION, DECLINATION, DISTANCE))
        return np.asarray(distance * direction(TAU * (ascension + self.mean.turns(tt)), TAU * dec))


@dataclass(frozen=True)
class Sky:
    """The sampled sky, over one ephemeris."""

    ephemeris: Ephemeris
    sun: Body
    moon: Body
    equinox: SampledFunction

    def earth_rotation(self, tt: FloatArray) -> FloatArray:
        """Earth rotation angle in turns, continuous."""
        ut1_days = self.ephemeris.scales.ut1_from_tt(tt) / DAY_S
        return ERA_AT_J2000 + ut1_days + ERA_EXCESS_PER_DAY * ut1_days

    def greenwich_hour_angle(self, body: Body, tt: FloatArray) -> FloatArray:
        """The body's hour angle at Greenwich in turns, positive to the west, continuous."""
        return self.earth_rotation(tt) - body.right_ascension(tt)

    def sidereal_time(self, tt: FloatArray) -> FloatArray:
        """Greenwich apparent sidereal time in turns, continuous."""
        return self.earth_rotation(tt) + self.equinox.value(tt, 0)

    def used_bytes(self) -> int:
        """Memory that the samples take now."""
        return sum(sampled.used_bytes for sampled in self._sampled())

    def capacity_bytes(self) -> int:
        """Memory that the samples would take if the whole ephemeris were in use: the bound."""
        return sum(sampled.capacity_bytes for sampled in self._sampled())

    def _sampled(self) -> list[SampledFunction]:
        return [self.equinox, *(one for body in (self.sun, self.moon) for one in (body.equatorial, body.ecliptic))]


_lock = threading.Lock()
_skies: list[Sky] = []


def sky() -> Sky:
    """The one sampled sky of this process, made on the first call; safe to call from any thread."""
    with _lock:
        if not _skies:
            _skies.append(_sampled_sky(load()))
        return _skies[0]


def _sampled_sky(of: Ephemeris) -> Sky:
    def equinox(tt: FloatArray) -> FloatArray:
        return _equinox(of.time(tt))[None]

    # Days of a block and nodes in it, so that the cycles keep the bounds that they publish.
    return Sky(
        ephemeris=of,
        sun=_body(of, "sun", of.sun, SUN_MEAN, equatorial=(32, 20), ecliptic=(16, 16)),
        moon=_body(of, "moon", of.moon, MOON_MEAN, equatorial=(4, 12), ecliptic=(4, 12)),
        equinox=_sampled(of, equinox, components=1, days_and_nodes=(16, 16)),
    )


def _body(
    of: Ephemeris,
    name: str,
    target: VectorFunction,
    mean: MeanMotion,
    equatorial: tuple[int, int],
    ecliptic: tuple[int, int],
) -> Body:
    return Body(
        name=name,
        mean=mean,
        equatorial=_sampled(of, partial(_equatorial, of, target, mean), components=3, days_and_nodes=equatorial),
        ecliptic=_sampled(of, partial(_ecliptic, of, target, mean), components=3, days_and_nodes=ecliptic),
    )


def _sampled(
    of: Ephemeris, direct: Callable[[FloatArray], FloatArray], *, components: int, days_and_nodes: tuple[int, int]
) -> SampledFunction:
    days, nodes = days_and_nodes
    return SampledFunction(
        direct,
        components=components,
        first=of.first_tt,
        last=of.last_tt,
        longest_block=days * DAY_S,
        nodes=nodes,
    )


def _equatorial(of: Ephemeris, target: VectorFunction, mean: MeanMotion, tt: FloatArray) -> FloatArray:
    """Right ascension from the celestial intermediate origin less the mean longitude, declination, distance."""
    time = of.time(tt)
    right_ascension, declination, _ = of.earth.at(time).observe(target).apparent().radec("date")
    from_origin = right_ascension.hours / 24.0 - _equinox(time)
    distance = (target - of.earth).at(time).distance().km
    return np.array([_nearest_zero(from_origin - mean.turns(tt)), declination.degrees / 360.0, distance])


def _ecliptic(of: Ephemeris, target: VectorFunction, mean: MeanMotion, tt: FloatArray) -> FloatArray:
    """Longitude of date less the mean longitude, latitude, distance."""
    time = of.time(tt)
    latitude, longitude, _ = of.earth.at(time).observe(target).apparent().frame_latlon(ecliptic_frame)
    distance = (target - of.earth).at(time).distance().km
    return np.array([_nearest_zero(longitude.degrees / 360.0 - mean.turns(tt)), latitude.degrees / 360.0, distance])


def _equinox(time: Time) -> FloatArray:
    """Sidereal time less Earth rotation angle, in turns: the equation of the origins with its sign turned."""
    rotation = earth_rotation_angle(time.whole, time.ut1_fraction)
    return _nearest_zero(time.gast / 24.0 - rotation)


def _nearest_zero(turns: FloatArray) -> FloatArray:
    return turns - np.round(turns)
