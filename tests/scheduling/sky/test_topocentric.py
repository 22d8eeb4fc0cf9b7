from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduling.sky.bodies import sky
from scheduling.sky.places import Place
from scheduling.sky.timescales import DAY_S
from scheduling.sky.topocentric import (
    MOON_UP,
    SUN_UP,
    Horizon,
    height_degrees,
    horizontal_degrees,
    observer,
    vector,
    vector_and_rate,
)
from scheduling.sky.vectors import length

places = st.builds(Place, st.floats(-90.0, 90.0), st.floats(-180.0, 180.0), st.floats(0.0, 4000.0))
instants = st.floats(-30.0 * 365.25 * DAY_S, 50.0 * 365.25 * DAY_S)
BODIES = ("sun", "moon")


def body(name: str) -> object:
    return getattr(sky(), name)


def test_an_observer_at_the_equator_and_at_a_pole() -> None:
    """The axes of the WGS 84 ellipsoid: 6378.137 and 6356.752 km."""
    equator, pole = observer(Place(0.0, 90.0, 1000.0)), observer(Place(90.0, 0.0))
    assert (equator.from_axis_km, equator.from_equator_km) == pytest.approx((6379.137, 0.0))
    assert (pole.from_axis_km, pole.from_equator_km) == pytest.approx((0.0, 6356.7523), abs=1e-4)
    assert equator.meridian_turns == 0.25
    assert equator.eastward_km_s == pytest.approx(0.4652, abs=1e-3)


def test_geocentric_place_of_a_mountain() -> None:
    """J. Meeus, Astronomical Algorithms, 2nd ed., 1998, example 11.a: Palomar, from memory.

    Latitude +33 21 22, 1706 m: rho sin phi' = 0.546861, rho cos phi' = 0.836339 (on the ellipsoid IAU 1976).
    """
    palomar = observer(Place(33.0 + 21.0 / 60.0 + 22.0 / 3600.0, -116.8625, 1706.0))
    assert palomar.from_equator_km / 6378.14 == pytest.approx(0.546861, abs=2e-6)
    assert palomar.from_axis_km / 6378.14 == pytest.approx(0.836339, abs=2e-6)


@pytest.mark.parametrize("name", BODIES)
@settings(deadline=None)
@given(place=places, tt=instants)
def test_rates_are_what_the_next_seconds_bring(name: str, place: Place, tt: float) -> None:
    around = np.array([tt - 5.0, tt, tt + 5.0])
    position, rate = vector_and_rate(sky(), body(name), place, around)  # type: ignore[arg-type]
    stepped = (position[:, 2] - position[:, 0]) / 10.0
    assert rate[:, 1] == pytest.approx(stepped, abs=1e-4 * length(stepped) + 1e-6)
    for horizon in (SUN_UP, MOON_UP):
        height, height_rate = height_degrees(sky(), body(name), place, horizon, around)  # type: ignore[arg-type]
        if height[1] < 85.0:
            assert height_rate[1] == pytest.approx((height[2] - height[0]) / 10.0, abs=2e-7)


@settings(deadline=None)
@given(place=places, tt=instants)
def test_height_is_altitude_above_the_horizon(place: Place, tt: float) -> None:
    at = np.array([tt])
    for name in BODIES:
        altitude, azimuth = horizontal_degrees(sky(), body(name), place, at)  # type: ignore[arg-type]
        centre, _ = height_degrees(sky(), body(name), place, Horizon(-6.0), at)  # type: ignore[arg-type]
        assert centre == pytest.approx(altitude + 6.0, abs=1e-7)
        assert 0.0 <= azimuth[0] < 360.0
    moon, _ = height_degrees(sky(), sky().moon, place, MOON_UP, at)
    semidiameter = moon - altitude - 34.0 / 60.0
    assert 0.24 < semidiameter[0] < 0.285


@settings(deadline=None)
@given(latitude=st.floats(-89.0, 89.0), longitude=st.floats(-180.0, 180.0), tt=instants)
def test_parallax_lowers_the_moon_by_up_to_a_degree_and_the_sun_by_nine_seconds(
    latitude: float, longitude: float, tt: float
) -> None:
    at, place = np.array([tt]), Place(latitude, longitude)
    for name, most in (("moon", 1.03), ("sun", 0.0027)):
        here = vector(sky(), body(name), place, at)  # type: ignore[arg-type]
        far = here + np.array([[observer(place).from_axis_km], [0.0], [observer(place).from_equator_km]])
        zenith = observer(place).zenith
        lowered = np.degrees(np.arcsin(zenith @ far / length(far)) - np.arcsin(zenith @ here / length(here)))
        assert -0.2 * most < lowered[0] < most  # the vertical does not quite point away from the Earth's centre


def test_at_the_poles_the_altitude_is_the_declination() -> None:
    tt = np.linspace(0.0, 365.0 * DAY_S, 50)
    declination = np.degrees(np.arcsin(sky().sun.vector_km(tt)[2] / sky().sun.distance_km(tt)))
    for latitude, sign in ((90.0, 1.0), (-90.0, -1.0)):
        altitude, _ = horizontal_degrees(sky(), sky().sun, Place(latitude, 0.0), tt)
        assert altitude == pytest.approx(sign * declination, abs=0.003)


def test_at_noon_the_sun_stands_south_in_the_north_and_north_in_the_south() -> None:
    noon = sky().ephemeris.scales.tt_from_posix(np.array([1_774_000_800.0]))  # 2026-03-20 10:00 UTC
    for latitude, azimuth in ((50.0, 180.0), (-50.0, 0.0)):
        place = Place(latitude, 32.0)
        _, found = horizontal_degrees(sky(), sky().sun, place, noon)
        assert (found[0] - azimuth + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=2.0)
