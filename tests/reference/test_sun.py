"""The Sun against published positions: where it stands, the equation of time, the longitude under it."""

from __future__ import annotations

import numpy as np
import pytest

from scheduling.sky import cycles
from scheduling.sky.bodies import Body, Sky, sky
from scheduling.sky.places import Place
from scheduling.sky.topocentric import observer, vector
from tests.reference import usno
from tests.reference.clock import posix, posix_of_ut1, tt_of, tt_of_ut1
from tests.reference.errors import Errors

AU_KM = 149_597_870.7  # IAU 2012 Resolution B2
DAY_S = 86_400.0


def right_ascension_degrees(over: Sky, body: Body, tt: np.ndarray) -> np.ndarray:
    """Apparent right ascension from the true equinox, 0 to 360."""
    return 360.0 * ((body.right_ascension(tt) + over.equinox.value(tt, 0)) % 1.0)


def declination_degrees(body: Body, tt: np.ndarray) -> np.ndarray:
    """Apparent declination."""
    x, y, z = body.vector_km(tt)
    return np.degrees(np.arctan2(z, np.hypot(x, y)))


def equation_of_time_s(instants: np.ndarray) -> np.ndarray:
    """Apparent less mean solar time."""
    apparent, mean = cycles.get("apparent-solar-day"), cycles.get("mean-solar-day")
    return (apparent.turns(instants) - mean.turns(instants)) * DAY_S


def sexagesimal(whole: float, minutes: float, seconds: float) -> float:
    """Hours or degrees from their parts."""
    return whole + minutes / 60 + seconds / 3600


def apart(one: np.ndarray | float, other: np.ndarray | float) -> np.ndarray:
    """The difference of two angles in degrees, -180 to 180."""
    return (np.asarray(one) - other + 180.0) % 360.0 - 180.0


# J. Meeus, Astronomical Algorithms, 2nd ed., Willmann-Bell 1998, examples 25.a, 25.b and 28.a: 1992-10-13 0h TD.
# Via soniakeys/meeus@bfbd9ac2, whose tests cite example and page; the book was not seen.
MEEUS_SUN_TT = tt_of(1992, 10, 13)


def test_meeus_25a_low_accuracy_position() -> None:
    over = sky()
    longitude = 360.0 * (over.sun.longitude(MEEUS_SUN_TT) % 1.0)
    assert apart(longitude, sexagesimal(199, 54, 32)) == pytest.approx(0.0, abs=0.01)
    ascension = right_ascension_degrees(over, over.sun, MEEUS_SUN_TT)
    assert apart(ascension, 15 * sexagesimal(13, 13, 31.4)) == pytest.approx(0.0, abs=0.01)
    assert declination_degrees(over.sun, MEEUS_SUN_TT) == pytest.approx(-sexagesimal(7, 47, 6), abs=0.01)
    # The low-accuracy method leaves out the planets and the Moon's pull: good to four decimals.
    assert over.sun.distance_km(MEEUS_SUN_TT) / AU_KM == pytest.approx(0.99766, abs=1e-4)


def test_meeus_25b_high_accuracy_position(errors: Errors) -> None:
    over = sky()
    ascension = right_ascension_degrees(over, over.sun, MEEUS_SUN_TT) / 15.0
    ascension_s = 3600.0 * (ascension - sexagesimal(13, 13, 30.749))
    declination = 3600.0 * (declination_degrees(over.sun, MEEUS_SUN_TT) + sexagesimal(7, 47, 1.74))
    assert errors.note("Sun, right ascension", "Meeus ex. 25.b (VSOP87)", "s", ascension_s) < 0.02
    assert errors.note("Sun, declination", "Meeus ex. 25.b (VSOP87)", "arcsec", declination) < 0.2


def test_meeus_28_equation_of_time() -> None:
    instant = sky().ephemeris.scales.posix_from_tt(MEEUS_SUN_TT)
    # Rigorous, example 28.a; the tolerance leaves room for two usual definitions of the mean Sun.
    assert equation_of_time_s(instant) == pytest.approx(822.6, abs=0.5)
    # Smart's series, example 28.b.
    assert equation_of_time_s(instant) == pytest.approx(822.7, abs=1.0)


# US Naval Observatory, Apparent Geocentric Positions of the Sun with Equation of Time, via ephem 4.2.1, appgeo_sun.txt.
# These tables for UT1 were made ahead with a predicted delta T. Sun and Moon alike stand as if it was half a second
# more than was measured later, which is 0.02 arcseconds for the Sun and 0.3 for the Moon; and their equinox and pole
# may be those of a frame that differs from ours by some hundredths of an arcsecond.


def test_usno_geocentric_positions_of_the_sun(errors: Errors) -> None:
    over, table = sky(), usno.positions("appgeo_sun.txt")
    assert len(table) == 12
    tt = tt_of_ut1([line.at_ut1 for line in table])
    ascension = apart(right_ascension_degrees(over, over.sun, tt), [line.right_ascension for line in table])
    declination = declination_degrees(over.sun, tt) - [line.declination for line in table]
    distance = over.sun.distance_km(tt) / AU_KM - [line.distance for line in table]
    assert errors.note("Sun, right ascension", "USNO 2007", "arcsec", 3600 * ascension) < 0.05
    assert errors.note("Sun, declination", "USNO 2007", "arcsec", 3600 * declination) < 0.05
    assert errors.note("Sun, distance", "USNO 2007", "AU", distance) < 1e-7


def test_usno_longitude_under_the_sun(errors: Errors) -> None:
    """The equation of time gives the longitude under the Sun at 0h UT1: 180 degrees less 15 a second an hour."""
    table = usno.positions("appgeo_sun.txt")
    instants = posix_of_ut1([line.at_ut1 for line in table])
    phase = cycles.get("apparent-solar-day").turns(instants) % 1.0
    published = np.array([180.0 - line.equation_of_time_s / 240.0 for line in table])
    under_the_sun = 180.0 - 360.0 * phase
    assert apart(under_the_sun, published) == pytest.approx(0.0, abs=0.002)
    errors.note("longitude under the Sun", "USNO 2007, equation of time", "degree", apart(under_the_sun, published))
    equation = [line.equation_of_time_s for line in table]
    assert errors.note("equation of time", "USNO 2007", "s", equation_of_time_s(instants) - equation) < 0.5


def test_usno_topocentric_positions_of_the_sun(errors: Errors) -> None:
    """The same seen from Atlanta: parallax and diurnal aberration."""
    over, table = sky(), usno.positions("apptopo_sun.txt")
    place = Place(sexagesimal(33, 45, 36), -sexagesimal(84, 24, 36), 322.0)
    tt = tt_of_ut1([line.at_ut1 for line in table])
    x, y, z = vector(over, over.sun, place, tt)
    hour_angle = np.degrees(np.arctan2(-y, x))
    local_sidereal = 360.0 * (over.sidereal_time(tt) + observer(place).meridian_turns)
    ascension = apart(local_sidereal - hour_angle, [line.right_ascension for line in table])
    declination = np.degrees(np.arctan2(z, np.hypot(x, y))) - [line.declination for line in table]
    assert errors.note("Sun from a place, right ascension", "USNO 2007", "arcsec", 3600 * ascension) < 0.05
    assert errors.note("Sun from a place, declination", "USNO 2007", "arcsec", 3600 * declination) < 0.05


# I. Reda and A. Andreas, Solar Position Algorithm for Solar Radiation Applications, NREL/TP-560-34302, rev. January
# 2008, table A5.1, via a conversion of the report to text. Golden, Colorado, 2003-10-17 12:30:30 UTC-7; UT1 = UTC.


def test_nrel_position_and_equation_of_time() -> None:
    over, instant = sky(), np.array([posix(2003, 10, 17, 19, 30, 30)])
    tt = over.ephemeris.scales.tt_from_posix(instant)
    assert equation_of_time_s(instant) / 60.0 == pytest.approx(14.641503, abs=0.01)
    assert right_ascension_degrees(over, over.sun, tt) == pytest.approx(202.22741, abs=5e-4)
    assert declination_degrees(over.sun, tt) == pytest.approx(-9.31434, abs=5e-4)
