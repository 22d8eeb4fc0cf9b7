"""Sidereal time and the rotation of frames against published values."""

from __future__ import annotations

import numpy as np
import pytest

from scheduling.sky import cycles
from scheduling.sky.bodies import ERA_AT_J2000, ERA_EXCESS_PER_DAY, sky
from scheduling.sky.ephemeris import load
from scheduling.sky.stars import precess
from scheduling.sky.timescales import J2000_JD
from tests.reference.clock import posix_of_ut1, tt_of_jde, tt_of_ut1, utc
from tests.reference.errors import Errors
from tests.reference.test_sun import sexagesimal

TAU = 2.0 * np.pi


def test_meeus_12a_sidereal_time(errors: Errors) -> None:
    """J. Meeus, Astronomical Algorithms, 2nd ed., 1998, example 12.a, p. 88, via soniakeys/meeus@bfbd9ac2."""
    instant = utc(1987, 4, 10)
    hours = 24.0 * (cycles.get("sidereal-day").turns(posix_of_ut1([instant])) % 1.0)
    apart = 3600.0 * (hours - sexagesimal(13, 10, 46.1351))
    assert errors.note("apparent sidereal time", "Meeus ex. 12.a (IAU 1982)", "s", apart) < 0.01
    mean_hours = load().time(tt_of_ut1([instant])).gmst
    assert 3600.0 * (mean_hours - sexagesimal(13, 10, 46.3668)) == pytest.approx(0.0, abs=0.01)


def test_sofa_sidereal_time(errors: Errors) -> None:
    """The validation program of ERFA/SOFA, t_erfa_c.c (liberfa/erfa@1d9738be): UT1 = TT = JD 2400000.5 + 53736.0."""
    jd = 2400000.5 + 53736.0
    days, tt = jd - J2000_JD, tt_of_jde([jd])
    # Of the Earth rotation angle at that UT1, and of the equinox at that TT, which no one real instant has.
    rotation = ERA_AT_J2000 + days + ERA_EXCESS_PER_DAY * days
    apparent = TAU * ((rotation + sky().equinox.value(tt, 0)) % 1.0)
    assert errors.note("apparent sidereal time", "SOFA t_gst06a", "rad", apparent - 1.754166137675019159) < 1e-8
    time = load().time(tt)
    mean = TAU * ((rotation + (time.gmst - time.gast) / 24.0 + sky().equinox.value(tt, 0)) % 1.0)
    assert mean == pytest.approx(1.754174971870091203, abs=1e-8)
    equation = TAU * (time.gast - time.gmst) / 24.0
    assert equation == pytest.approx(-0.8834195072043790156e-5, abs=1e-8)


def test_usno_sidereal_time_at_j2000(errors: Errors) -> None:
    """US Naval Observatory, API, siderealtime, 2000-01-01 12:00:00 UT1, longitude 0, via a third party's test."""
    hours = 24.0 * (cycles.get("sidereal-day").turns(posix_of_ut1([utc(2000, 1, 1, 12)])) % 1.0)
    apart = 3600.0 * (hours - sexagesimal(18, 41, 49.6974))
    assert errors.note("apparent sidereal time", "USNO API, J2000", "s", apart) < 0.01


def test_meeus_21b_precession_of_a_star() -> None:
    """J. Meeus, Astronomical Algorithms, 2nd ed., 1998, example 21.b, p. 135, via soniakeys/meeus@bfbd9ac2, v3/precess.

    Theta Persei at 2028-11-13.19 TD, mean equinox. Its own motion until then is added first, as there; ours is the
    true equinox, which nutation moves by up to 17 arcseconds.
    """
    jde = 2462088.69
    years = (jde - J2000_JD) / 365.25
    ascension = 15.0 * (sexagesimal(2, 44, 11.986) + 0.03425 * years / 3600.0)
    declination = sexagesimal(49, 13, 42.48) - 0.0895 * years / 3600.0
    at = float(load().scales.posix_from_tt(tt_of_jde(jde)))
    found_ascension, found_declination = precess([ascension], [declination], at)
    cosine = np.cos(np.radians(found_declination))
    apart = (found_ascension - 15.0 * sexagesimal(2, 46, 11.331)) * cosine
    assert 3600.0 * apart == pytest.approx(0.0, abs=17.5)
    assert 3600.0 * (found_declination - sexagesimal(49, 20, 54.54)) == pytest.approx(0.0, abs=10.0)
