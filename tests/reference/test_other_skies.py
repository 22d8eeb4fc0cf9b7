"""Thousands of random instants and places against skies that are not skyfield's.

* ERFA, the IAU's routines (pyerfa): VSOP2000 for the Earth, and the IAU's own precession, nutation and sidereal time.
* ephem: the libastro of XEphem; VSOP87, a lunar theory, its own sidereal time and its own search for rise and set.
* astropy: its own frames from the catalogue of the sky to the horizon, with its own table of UT1.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import astropy.units as u
import ephem
import erfa
import numpy as np
import pytest
from astropy.coordinates import AltAz, EarthLocation, get_body
from astropy.time import Time
from astropy.utils import iers

from scheduling.sky import almanac, cycles
from scheduling.sky.arrays import FloatArray
from scheduling.sky.bodies import sky
from scheduling.sky.places import Place
from scheduling.sky.timescales import DAY_S, J2000_JD
from scheduling.sky.topocentric import horizontal_degrees
from tests.reference.clock import posix, seconds_from, utc
from tests.reference.errors import Errors
from tests.reference.test_sun import apart, declination_degrees, right_ascension_degrees

LIGHT_AU_DAY = 173.14463267424034  # speed of light
EPHEM_EPOCH_JD = 2_415_020.0  # noon of 1899-12-31
KINDS_OF_PHASE = ["new-moon", "first-quarter", "full-moon", "last-quarter"]


def random_instants(count: int, last_year: int = 2025) -> FloatArray:
    """Random POSIX seconds from 2000 on, in order."""
    return np.sort(np.random.default_rng(8128).uniform(posix(2000, 1, 1), posix(last_year, 1, 1), count))


# ERFA.


def split_days(seconds: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Seconds since J2000.0 as the two-part Julian date that ERFA takes."""
    return np.full(seconds.shape, J2000_JD), seconds / DAY_S


def erfa_sun_direction(tt: FloatArray) -> FloatArray:
    """The apparent direction of the Sun (n, 3) in the celestial reference system, by VSOP2000."""
    heliocentric, barycentric = erfa.epv00(*split_days(tt))
    earth, velocity = barycentric["p"], barycentric["v"]
    sun, sun_velocity = earth - heliocentric["p"], velocity - heliocentric["v"]
    distance = np.linalg.norm(sun - earth, axis=1)
    seen = sun - sun_velocity * (distance / LIGHT_AU_DAY)[:, None] - earth
    speed = velocity / LIGHT_AU_DAY
    lorentz = np.sqrt(1.0 - (speed**2).sum(axis=1))
    return erfa.ab(seen / np.linalg.norm(seen, axis=1)[:, None], speed, distance, lorentz)


def erfa_hour_angle_turns(direction: FloatArray, tt: FloatArray) -> FloatArray:
    """Greenwich hour angle of a direction, by IAU 2006/2000A."""
    ut1 = sky().ephemeris.scales.ut1_from_tt(tt)
    x, y, _ = np.einsum("nij,nj->in", erfa.pnm06a(*split_days(tt)), direction)
    return (erfa.gst06a(*split_days(ut1), *split_days(tt)) - np.arctan2(y, x)) / (2.0 * np.pi)


def test_erfa_apparent_solar_day(errors: Errors) -> None:
    instants = random_instants(10_000, last_year=2050)
    tt = sky().ephemeris.scales.tt_from_posix(instants)
    turns = cycles.get("apparent-solar-day").turns(instants)
    difference = turns - 0.5 - erfa_hour_angle_turns(erfa_sun_direction(tt), tt)
    seconds = (difference - np.round(difference)) * DAY_S
    assert errors.note("apparent-solar-day", "ERFA, VSOP2000, 10,000 instants", "s", seconds) < 0.002


def test_erfa_sidereal_day(errors: Errors) -> None:
    instants = random_instants(10_000, last_year=2050)
    scales = sky().ephemeris.scales
    tt = scales.tt_from_posix(instants)
    theirs = erfa.gst06a(*split_days(scales.ut1_from_tt(tt)), *split_days(tt)) / (2.0 * np.pi)
    difference = cycles.get("sidereal-day").turns(instants) - theirs
    seconds = (difference - np.round(difference)) * 86_164.1
    assert errors.note("sidereal-day", "ERFA gst06a, 10,000 instants", "s", seconds) < 1e-4


def test_erfa_lunar_day(errors: Errors) -> None:
    instants = random_instants(10_000, last_year=2050)
    tt = sky().ephemeris.scales.tt_from_posix(instants)
    moon = erfa.moon98(*split_days(tt - 1.28))["p"]  # light takes 1.28 seconds
    direction = moon / np.linalg.norm(moon, axis=1)[:, None]
    difference = cycles.get("lunar-day").turns(instants) - 0.5 - erfa_hour_angle_turns(direction, tt)
    seconds = (difference - np.round(difference)) * 89_428.0
    # The theory behind moon98 is good to about ten arcseconds, which the Earth turns in 0.7 seconds.
    assert errors.note("lunar-day", "ERFA moon98, 10,000 instants", "s", seconds) < 1.5


# ephem.


def ephem_dates(tt: FloatArray) -> list[ephem.Date]:
    """ephem's dates at TT seconds: its delta T is its own, so that the positions are of the same instant."""
    days = J2000_JD - EPHEM_EPOCH_JD + tt / DAY_S
    return [ephem.Date(day - ephem.delta_t(ephem.Date(day)) / DAY_S) for day in days.tolist()]


@pytest.mark.parametrize(("name", "tolerance"), [("sun", 1.0), ("moon", 3.0)])
def test_ephem_positions(name: str, tolerance: float, errors: Errors) -> None:
    over = sky()
    body = over.sun if name == "sun" else over.moon
    tt = over.ephemeris.scales.tt_from_posix(random_instants(5_000))
    theirs = np.empty((2, len(tt)))
    target = ephem.Sun() if name == "sun" else ephem.Moon()
    for index, day in enumerate(ephem_dates(tt)):
        target.compute(day, epoch=day)
        theirs[:, index] = np.degrees(target.g_ra), np.degrees(target.g_dec)
    declination = declination_degrees(body, tt)
    ascension = apart(right_ascension_degrees(over, body, tt), theirs[0]) * np.cos(np.radians(declination))
    label = f"{name.capitalize()}, right ascension"
    assert errors.note(label, "ephem, 5,000 instants", "arcsec", 3600 * ascension) < tolerance
    label = f"{name.capitalize()}, declination"
    assert errors.note(label, "ephem, 5,000 instants", "arcsec", 3600 * (declination - theirs[1])) < tolerance


def random_places(count: int) -> list[tuple[Place, datetime]]:
    """Random places between the polar circles, each with a random instant."""
    random = np.random.default_rng(496)
    latitudes, longitudes = random.uniform(-60, 60, count), random.uniform(-180, 180, count)
    instants = random.uniform(posix(2021, 1, 1), posix(2025, 1, 1), count)
    return [
        (Place(latitude, longitude), datetime.fromtimestamp(instant, UTC))
        for latitude, longitude, instant in zip(latitudes.tolist(), longitudes.tolist(), instants.tolist(), strict=True)
    ]


@pytest.mark.parametrize(
    ("kind", "body", "search", "horizon", "centre", "tolerance"),
    [
        ("sunrise", ephem.Sun, "next_rising", "-0:50", True, 1.0),
        ("sunset", ephem.Sun, "next_setting", "-0:50", True, 1.0),
        ("astronomical-dusk", ephem.Sun, "next_setting", "-18", True, 1.0),
        ("moonrise", ephem.Moon, "next_rising", "-0:34", False, 3.0),
        ("moonset", ephem.Moon, "next_setting", "-0:34", False, 3.0),
    ],
)
def test_ephem_rise_and_set(
    kind: str, body: type, search: str, horizon: str, centre: bool, tolerance: float, errors: Errors
) -> None:
    differences = []
    for place, start in random_places(300):
        if kind == "astronomical-dusk" and abs(place.latitude_degrees) > 45:
            continue
        observer = ephem.Observer()
        observer.lat, observer.lon = str(place.latitude_degrees), str(place.longitude_degrees)
        observer.pressure, observer.horizon = 0, horizon
        observer.date = ephem.Date(start)
        theirs = getattr(observer, search)(body(), use_center=centre).datetime().replace(tzinfo=UTC)
        (ours,) = almanac.find(kind, theirs - timedelta(minutes=5), theirs + timedelta(minutes=5), place)
        differences.append(seconds_from(ours.at, theirs))
    assert errors.note(kind, f"ephem, {len(differences)} places", "s", differences) < tolerance


def test_ephem_phases_of_the_moon(errors: Errors) -> None:
    searches = [
        ephem.next_new_moon,
        ephem.next_first_quarter_moon,
        ephem.next_full_moon,
        ephem.next_last_quarter_moon,
    ]
    for kind, search in zip(KINDS_OF_PHASE, searches, strict=True):
        found = almanac.find(kind, utc(2000, 1, 1), utc(2025, 1, 1))
        theirs = ephem.Date(utc(2000, 1, 1))
        differences = []
        for event in found:
            theirs = search(theirs)
            differences.append(seconds_from(event.at, theirs.datetime().replace(tzinfo=UTC)))
        assert errors.note(kind, f"ephem, {len(found)} from 2000 to 2024", "s", differences) < 15.0


# astropy.


@pytest.mark.parametrize(("name", "usual", "worst"), [("sun", 1.0, 10.0), ("moon", 10.0, 20.0)])
def test_astropy_altitude_and_azimuth(name: str, usual: float, worst: float, errors: Errors) -> None:
    """100 instants at each of 20 places; 99 in 100 within what is usual.

    The Moon is by astropy's built-in theory, good to about ten arcseconds. Of the Sun a few directions stand out by
    some arcseconds, for a few hours: astropy bends the light of the Sun by the Sun. ERFA and skyfield, asked at those
    hours, agree with ours to 0.01 arcseconds.
    """
    over, random = sky(), np.random.default_rng(28)
    body = over.sun if name == "sun" else over.moon
    altitudes, azimuths = [], []
    for latitude, longitude in random.uniform((-90, -180), (90, 180), (20, 2)).tolist():
        place = Place(latitude, longitude, float(random.uniform(0, 3000)))
        instants = random.uniform(posix(2000, 1, 1), posix(2025, 1, 1), 100)
        altitude, azimuth = horizontal_degrees(over, body, place, over.ephemeris.scales.tt_from_posix(instants))
        their_altitude, their_azimuth = astropy_altitude_and_azimuth(name, place, instants)
        altitudes.append(altitude - their_altitude)
        azimuths.append(apart(azimuth, their_azimuth) * np.cos(np.radians(altitude)))
    label = name.capitalize()
    judge = "astropy, 2,000 instants and places"
    for angle, parts in (("altitude", altitudes), ("azimuth", azimuths)):
        differences = 3600 * np.concatenate(parts)
        assert errors.note(f"{label}, {angle}", judge, "arcsec", differences) < worst
        assert np.quantile(np.abs(differences), 0.99) < usual


def astropy_altitude_and_azimuth(name: str, place: Place, instants: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Degrees, without refraction, by astropy with the tables that it carries."""
    with iers.conf.set_temp("auto_download", False):
        # Not format="unix", which spreads a leap second over its day.
        time = Time([datetime.fromtimestamp(instant, UTC) for instant in instants.tolist()])
        location = EarthLocation.from_geodetic(
            place.longitude_degrees * u.deg, place.latitude_degrees * u.deg, place.elevation_m * u.m
        )
        body = get_body(name, time, location, ephemeris="builtin")
        seen = body.transform_to(AltAz(obstime=time, location=location, pressure=0 * u.hPa))
        return seen.alt.deg, seen.az.deg
