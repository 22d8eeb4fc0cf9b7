"""The numbers of the sky that a picture is drawn from, for one turn of a cycle.

Each costs calls of the ephemeris, so a picture gets those that it asks for and no others. All directions are apparent
and geocentric, of date, but for the Moon's tilt, which is as it is seen from a place.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from skyfield.framelib import ecliptic_frame

from machines.clock import utc
from machines.imaging.pictures import DaylightMap, MoonDisc, Picture, SkyNumbers, StarBelt, YearOfDaylight, read_stars
from scheduling.planning.timeline import Cycle
from scheduling.sky import cycles
from scheduling.sky.arrays import FloatArray
from scheduling.sky.bodies import DECLINATION, Body, sky
from scheduling.sky.moon import moon_faces
from scheduling.sky.places import Place
from scheduling.sky.stars import precess

# Straight lines between so many samples of a year are within 0.0003 degrees of the Sun's declination.
YEAR_SAMPLES = 720
# Straight lines between so many samples of the Moon's path on a day are within 0.001 degrees of it, of a month 0.04.
PATH_SAMPLES = 241
MINUTES_PER_DAY = 1440.0


@dataclass(frozen=True)
class Turn:
    """One turn of a cycle: when it begins, when its phase is one half, when it ends; UTC."""

    begins: datetime
    middle: datetime
    ends: datetime


def turn_of(cycle: Cycle, number: int) -> Turn:
    """The turn of a cycle with a number.

    Raises:
        EphemerisRangeError: the cycle does not reach so far.
    """
    begins, middle, ends = cycle.instants(number + np.array([0.0, 0.5, 1.0]))
    return Turn(utc(float(begins)), utc(float(middle)), utc(float(ends)))


def turn_at(cycle: Cycle, instant: datetime) -> Turn:
    """The turn of a cycle that an instant falls in."""
    return turn_of(cycle, int(np.floor(cycle.turns(np.array([instant.timestamp()]))[0])))


def sky_numbers(picture: Picture, turn: Turn, place: Place | None) -> SkyNumbers:
    """The numbers that a picture needs.

    Args:
        picture: what will be drawn.
        turn: most numbers are those of its middle; the Moon's path is that of the whole of it. A year of daylight is
            that of the tropical year which holds the middle, whatever the cycle.
        place: from where the Moon is seen; None for its tilt against north instead of against the zenith.

    Raises:
        EphemerisRangeError: the turn is outside the ephemeris.
    """
    if isinstance(picture, MoonDisc):
        return _moon(turn.middle, place)
    if isinstance(picture, StarBelt):
        return _stars(picture, turn)
    if isinstance(picture, YearOfDaylight):
        return _year_of_the_sun(turn.middle)
    if isinstance(picture, DaylightMap):
        return _under_the_sun(turn.middle)
    return SkyNumbers(instant=turn.middle)


def _moon(instant: datetime, place: Place | None) -> SkyNumbers:
    faces = moon_faces(np.array([instant.timestamp()]), place)
    from_zenith = faces.bright_limb_from_zenith_degrees
    limb = faces.bright_limb_degrees if from_zenith is None else from_zenith
    return SkyNumbers(
        instant=instant,
        moon_lit_fraction=float(faces.illuminated_fraction[0]),
        moon_limb_angle_degrees=float(limb[0]),
        moon_age_days=float(faces.age_days[0]),
    )


def _stars(picture: StarBelt, turn: Turn) -> SkyNumbers:
    stars = read_stars()
    ra_degrees, dec_degrees = precess(stars.ra_degrees_j2000, stars.dec_degrees_j2000, turn.middle)
    moon_ra_degrees, moon_dec_degrees = moon_path(turn) if picture.moon_path else (None, None)
    return SkyNumbers(
        instant=turn.middle,
        star_ra_degrees=ra_degrees,
        star_dec_degrees=dec_degrees,
        star_magnitude=stars.magnitude,
        obliquity_degrees=obliquity_degrees(turn.middle) if picture.ecliptic else None,
        moon_ra_degrees=moon_ra_degrees,
        moon_dec_degrees=moon_dec_degrees,
    )


def _year_of_the_sun(instant: datetime) -> SkyNumbers:
    year = cycles.get("tropical-year")
    number = np.floor(year.turns(np.array([instant.timestamp()]))[0])
    posix = year.instants(number + np.arange(YEAR_SAMPLES) / YEAR_SAMPLES)
    return SkyNumbers(
        instant=instant,
        sun_declination_degrees=declination_degrees(sky().sun, posix),
        equation_of_time_minutes=equation_of_time_minutes(posix),
    )


def _under_the_sun(instant: datetime) -> SkyNumbers:
    latitude, longitude = subsolar_degrees(instant)
    return SkyNumbers(instant=instant, subsolar_latitude_degrees=latitude, subsolar_longitude_degrees=longitude)


def _tt(posix: FloatArray) -> FloatArray:
    """Terrestrial Time of POSIX seconds.

    Raises:
        EphemerisRangeError: an instant is outside the ephemeris.
    """
    loaded = sky().ephemeris
    tt = loaded.scales.tt_from_posix(posix)
    loaded.check_tt(tt)
    return tt


def declination_degrees(body: Body, posix: FloatArray) -> FloatArray:
    """A body's declination at POSIX seconds."""
    return 360.0 * body.equatorial.value(_tt(posix), DECLINATION)


def equation_of_time_minutes(posix: FloatArray) -> FloatArray:
    """Apparent less mean solar time at POSIX seconds."""
    apparent, mean = cycles.get("apparent-solar-day"), cycles.get("mean-solar-day")
    return MINUTES_PER_DAY * (apparent.turns(posix) - mean.turns(posix))


def subsolar_degrees(instant: datetime) -> tuple[float, float]:
    """Latitude and longitude, north and east positive, -180 to 180, of the place that has the Sun overhead.

    The latitude is the Sun's declination: geodetic latitude is the angle of the zenith with the equator.
    """
    posix = np.array([instant.timestamp()])
    phase = cycles.get("apparent-solar-day").turns(posix)[0] % 1.0
    return float(declination_degrees(sky().sun, posix)[0]), float(180.0 - 360.0 * phase)


def obliquity_degrees(instant: datetime) -> float:
    """The true obliquity of the ecliptic: the turn about the equinox from the equator of date to its ecliptic."""
    (tt,) = _tt(np.array([instant.timestamp()]))
    time = sky().ephemeris.time(tt)
    from_equator = ecliptic_frame.rotation_at(time) @ time.M.T
    return float(np.degrees(np.arctan2(from_equator[1, 2], from_equator[1, 1])))


def moon_path(turn: Turn) -> tuple[FloatArray, FloatArray]:
    """The Moon's right ascension (from the true equinox, 0 to 360) and declination in degrees through a turn."""
    posix = np.linspace(turn.begins.timestamp(), turn.ends.timestamp(), PATH_SAMPLES)
    over, tt = sky(), _tt(posix)
    ascension = over.moon.right_ascension(tt) + over.equinox.value(tt, 0)
    return 360.0 * (ascension % 1.0), declination_degrees(over.moon, posix)
