"""The Moon's face: how much of it is lit, and which way the light lies.

Formulas: J. Meeus, Astronomical Algorithms (2nd ed., 1998), chapter 48.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from scheduling.sky import cycles
from scheduling.sky.arrays import FloatArray, finite_array
from scheduling.sky.bodies import Sky, sky
from scheduling.sky.places import Place
from scheduling.sky.timescales import DAY_S
from scheduling.sky.topocentric import observer, vector
from scheduling.sky.vectors import angle_between, length


@dataclass(frozen=True)
class MoonFaces:
    """The Moon at a number of instants; every field is an array of the instants' shape, angles in degrees.

    ``illuminated_fraction``: of the disc, 0 to 1. ``phase_angle_degrees``: Sun - Moon - Earth, 0 at full Moon to
    180. ``age_days``: since the last new Moon. ``bright_limb_degrees``: position angle of the middle of the bright
    limb, from celestial north through east, 0 to 360 (about 270 when waxing, 90 when waning). All these are seen
    from the Earth's centre, as almanacs give them.

    ``bright_limb_from_zenith_degrees``: the same angle as a person at the place sees it, from the direction of the
    zenith, counterclockwise: the parallactic angle removed. None without a place.
    """

    illuminated_fraction: FloatArray
    phase_angle_degrees: FloatArray
    age_days: FloatArray
    bright_limb_degrees: FloatArray
    bright_limb_from_zenith_degrees: FloatArray | None


def moon_faces(posix: npt.ArrayLike, place: Place | None = None) -> MoonFaces:
    """The Moon's face at POSIX instants.

    Raises EphemerisRangeError outside the ephemeris, ValueError for an instant that is not finite.
    """
    over = sky()
    posix = finite_array("posix", posix)
    tt = over.ephemeris.scales.tt_from_posix(posix)
    over.ephemeris.check_tt(tt)
    moon, sun = over.moon.vector_km(tt), over.sun.vector_km(tt)
    phase_angle = angle_between(sun - moon, -moon)
    return MoonFaces(
        illuminated_fraction=0.5 * (1.0 + np.cos(phase_angle)),
        phase_angle_degrees=np.degrees(phase_angle),
        age_days=_age_days(posix),
        bright_limb_degrees=_position_angle(np.array([0.0, 0.0, 1.0]), moon, sun),
        bright_limb_from_zenith_degrees=None if place is None else _from_zenith(over, place, tt),
    )


def _from_zenith(over: Sky, place: Place, tt: FloatArray) -> FloatArray:
    moon, sun = vector(over, over.moon, place, tt), vector(over, over.sun, place, tt)
    return _position_angle(observer(place).zenith, moon, sun)


def _position_angle(pole: FloatArray, at: FloatArray, toward: FloatArray) -> FloatArray:
    """The direction, as seen at ``at``, in which ``toward`` lies: degrees from the pole counterclockwise."""
    pole = pole.reshape(3, *(1,) * (at.ndim - 1))
    left = np.cross(pole, at, axis=0)
    up = np.cross(at, left, axis=0)  # longer than left by the length of at
    along_left = (toward * left).sum(axis=0) * length(at)
    degrees: FloatArray = np.degrees(np.arctan2(along_left, (toward * up).sum(axis=0))) % 360.0
    return degrees


def _age_days(posix: FloatArray) -> FloatArray:
    month = cycles.get("synodic-month")
    return (posix - month.instants(np.floor(month.turns(posix)))) / DAY_S
