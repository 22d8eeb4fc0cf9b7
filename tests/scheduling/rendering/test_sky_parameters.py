"""The numbers that pictures are drawn from, against published ones and against each other."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from machines.imaging.pictures import DaylightMap, LandPicture, MoonDisc, StarBelt, WrappedImage, YearOfDaylight
from scheduling.rendering.sky_parameters import (
    Turn,
    equation_of_time_minutes,
    moon_path,
    obliquity_degrees,
    sky_numbers,
    subsolar_degrees,
    turn_at,
    turn_of,
)
from scheduling.sky import almanac, cycles
from scheduling.sky.ephemeris import EphemerisRangeError
from scheduling.sky.places import Place

LISBON = Place(38.7, -9.1)
NOON = datetime(2026, 10, 24, 12, tzinfo=UTC)
DAY = Turn(NOON - timedelta(hours=12), NOON, NOON + timedelta(hours=12))


def apart_degrees(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    return np.abs((one - other + 180.0) % 360.0 - 180.0)


def test_a_turn_begins_where_the_one_before_ends() -> None:
    year = cycles.get("tropical-year")
    turn, following = turn_of(year, 26), turn_of(year, 27)
    assert turn.begins < turn.middle < turn.ends == following.begins
    assert turn_at(year, turn.middle) == turn
    assert turn.begins.date().isoformat() == "2026-03-20"


def test_a_turn_beyond_the_ephemeris_is_refused() -> None:
    with pytest.raises(EphemerisRangeError):
        turn_of(cycles.get("tropical-year"), 200)


def test_the_place_under_the_sun() -> None:
    """US Naval Observatory, Apparent Geocentric Positions of the Sun with Equation of Time, for 2007-10-01 0h UT1:
    +10m04.6s, declination -2 57 08.86; the longitude is 180 degrees less a degree for each four minutes. Via
    ephem-4.2.1, ephem/tests/usno/appgeo_sun.txt."""
    # UT1 was 0.16 s behind UTC, 0.0007 degrees.
    latitude, longitude = subsolar_degrees(datetime(2007, 10, 1, tzinfo=UTC))
    assert latitude == pytest.approx(-2.95246, abs=0.001)
    assert longitude == pytest.approx(177.4808, abs=0.002)


def test_the_equation_of_time() -> None:
    """J. Meeus, Astronomical Algorithms, 2nd ed., example 28.a: 1992-10-13 0h TD, +13m42.6s, to 0.5 s; in the minute
    between TD and UTC it does not change by so much. Via soniakeys/meeus@bfbd9ac2; the book was not seen."""
    posix = np.array([datetime(1992, 10, 13, tzinfo=UTC).timestamp()])
    assert equation_of_time_minutes(posix)[0] * 60 == pytest.approx(822.6, abs=0.5)


def test_the_obliquity() -> None:
    """J. Meeus, Astronomical Algorithms, 2nd ed., example 22.a: 1987-04-10 0h TD, true obliquity 23 26 36.850, by the
    IAU 1980 nutation, half an arc second at most from today's. From memory."""
    assert obliquity_degrees(datetime(1987, 4, 10, tzinfo=UTC)) == pytest.approx(23.4435694, abs=0.5 / 3600)


def test_the_obliquity_is_how_far_north_the_sun_comes() -> None:
    solstice = almanac.find("june-solstice", NOON - timedelta(days=200), NOON)[0].at
    assert subsolar_degrees(solstice)[0] == pytest.approx(obliquity_degrees(solstice), abs=0.001)


def test_the_moons_path_passes_the_sun_at_new_moon_and_crosses_the_ecliptic() -> None:
    """At the new Moon of an eclipse both stand at one place: 2026-08-12, greatest eclipse 17:46 UT (from memory)."""
    eclipse = datetime(2026, 8, 12, 17, 46, tzinfo=UTC)
    ra, dec = moon_path(Turn(eclipse - timedelta(hours=12), eclipse, eclipse + timedelta(hours=12)))
    middle = len(ra) // 2
    latitude, longitude = subsolar_degrees(eclipse)
    sidereal = 360.0 * (cycles.get("sidereal-day").turns(np.array([eclipse.timestamp()]))[0] % 1.0)
    sun_ra = sidereal + longitude
    assert apart_degrees(ra[middle], sun_ra) < 1.0
    assert dec[middle] == pytest.approx(latitude, abs=1.1)
    assert 11.0 < apart_degrees(ra[-1], ra[0]) < 16.0  # a day of its 27


def test_the_path_has_samples_enough_for_straight_lines() -> None:
    month = Turn(NOON, NOON + timedelta(days=14), NOON + timedelta(days=28))
    ra, dec = moon_path(month)
    finer_ra, finer_dec = moon_path(Turn(month.begins, month.middle, month.begins + (month.ends - month.begins) / 2))
    quarter = (finer_ra[1::2], finer_dec[1::2])  # half-way between the coarse samples
    assert np.abs((dec[:120] + dec[1:121]) / 2 - quarter[1]).max() < 0.04
    between = ra[:120] + ((ra[1:121] - ra[:120] + 180.0) % 360.0 - 180.0) / 2
    assert apart_degrees(between, quarter[0]).max() < 0.04


def test_each_picture_gets_what_it_asks_for_and_nothing_else() -> None:
    def given(picture: object) -> set[str]:
        numbers = sky_numbers(picture, DAY, LISBON)  # type: ignore[arg-type]
        return {name for name, value in vars(numbers).items() if value is not None} - {"instant"}

    stars = {"star_ra_degrees", "star_dec_degrees", "star_magnitude"}
    assert given(LandPicture()) == given(WrappedImage()) == set()
    assert given(StarBelt()) == stars
    assert given(StarBelt(ecliptic=True)) == stars | {"obliquity_degrees"}
    assert given(StarBelt(moon_path=True)) == stars | {"moon_ra_degrees", "moon_dec_degrees"}
    assert given(MoonDisc()) == {"moon_lit_fraction", "moon_limb_angle_degrees", "moon_age_days"}
    assert given(YearOfDaylight()) == {"sun_declination_degrees", "equation_of_time_minutes"}
    assert given(DaylightMap()) == {"subsolar_latitude_degrees", "subsolar_longitude_degrees"}


def test_without_a_place_the_moon_leans_against_north() -> None:
    anywhere, here = sky_numbers(MoonDisc(), DAY, None), sky_numbers(MoonDisc(), DAY, LISBON)
    assert anywhere.moon_lit_fraction == here.moon_lit_fraction
    assert anywhere.moon_limb_angle_degrees != here.moon_limb_angle_degrees


def test_a_year_of_the_sun_begins_at_the_equinox_whatever_the_turn() -> None:
    numbers = sky_numbers(YearOfDaylight(), DAY, None)
    declination, equation = numbers.need("sun_declination_degrees"), numbers.need("equation_of_time_minutes")
    assert abs(declination[0]) < 0.001 and declination[1] > 0
    assert np.argmax(declination) == pytest.approx(len(declination) / 4, abs=1)
    assert declination.max() == pytest.approx(obliquity_degrees(NOON), abs=0.003)
    # Extremes of the equation of time, common knowledge: about -14 and +16 minutes.
    assert (round(equation.min()), round(equation.max())) == (-14, 16)
    same_year = Turn(NOON + timedelta(days=90), NOON + timedelta(days=91), NOON + timedelta(days=92))
    assert np.array_equal(sky_numbers(YearOfDaylight(), same_year, None).need("sun_declination_degrees"), declination)
