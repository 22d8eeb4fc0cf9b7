from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from scheduling.sky import bodies
from scheduling.sky.bodies import MOON_MEAN, SUN_MEAN, Body, MeanMotion, Sky, sky
from scheduling.sky.ephemeris import load
from scheduling.sky.timescales import DAY_S
from scheduling.sky.vectors import length

YEAR_S = 365.25 * DAY_S


@pytest.fixture(scope="module")
def instants() -> np.ndarray:
    return np.sort(np.random.default_rng(11).uniform(-30.0 * YEAR_S, 50.0 * YEAR_S, 2000))


def both() -> list[Body]:
    return [sky().sun, sky().moon]


def test_there_is_one_sky() -> None:
    assert sky() is sky()


@pytest.mark.parametrize(
    ("mean", "period_days"),
    [(SUN_MEAN, 365.2422), (MOON_MEAN, 27.321582)],  # tropical year and month
)
def test_mean_motions(mean: MeanMotion, period_days: float) -> None:
    assert 1.0 / mean.rate / DAY_S == pytest.approx(period_days, abs=1e-4)
    assert mean.turns(np.array([0.0]))[0] == mean.at_j2000 / 360.0


@pytest.mark.parametrize("body", both(), ids=lambda body: body.name)
def test_right_ascension_and_longitude_are_counted_without_a_jump(body: Body) -> None:
    tt = np.arange(0.0, YEAR_S, 3600.0)
    fastest = 1.4 * body.mean.rate * 3600.0
    for turns in (body.right_ascension(tt), body.longitude(tt)):
        steps = np.diff(turns)
        assert (steps > 0.0).all()
        assert steps.max() < fastest


@pytest.mark.parametrize("body", both(), ids=lambda body: body.name)
def test_samples_stay_far_from_where_they_would_fold(body: Body, instants: np.ndarray) -> None:
    assert np.abs(body.equatorial.value(instants, bodies.RIGHT_ASCENSION)).max() < 0.05
    assert np.abs(body.ecliptic.value(instants, bodies.LONGITUDE)).max() < 0.05


def test_the_sun_keeps_to_the_ecliptic_and_the_moon_near_it(instants: np.ndarray) -> None:
    assert np.abs(sky().sun.ecliptic.value(instants, bodies.LATITUDE)).max() * 360.0 < 0.001
    assert 4.9 < np.abs(sky().moon.ecliptic.value(instants, bodies.LATITUDE)).max() * 360.0 < 5.4


def test_equatorial_and_ecliptic_coordinates_are_of_the_same_direction(instants: np.ndarray) -> None:
    """By the obliquity and the equinox: sin dec = sin eps sin lon cos lat + cos eps sin lat."""
    obliquity = np.radians(23.4392911 - 46.8150 / 3600.0 * instants / (100.0 * YEAR_S))
    for body in both():
        longitude = 2.0 * np.pi * body.longitude(instants)
        latitude = 2.0 * np.pi * body.ecliptic.value(instants, bodies.LATITUDE)
        declination = 2.0 * np.pi * body.equatorial.value(instants, bodies.DECLINATION)
        expected = np.sin(obliquity) * np.sin(longitude) * np.cos(latitude) + np.cos(obliquity) * np.sin(latitude)
        assert np.sin(declination) == pytest.approx(expected, abs=6e-5)  # nutation: 10 arcseconds


@pytest.mark.parametrize("body", both(), ids=lambda body: body.name)
def test_both_samples_hold_the_same_distance(body: Body, instants: np.ndarray) -> None:
    equatorial = body.equatorial.value(instants, bodies.DISTANCE)
    assert equatorial == pytest.approx(body.distance_km(instants), abs=0.1)
    assert length(body.vector_km(instants)) == pytest.approx(equatorial, rel=1e-12)


def test_distances_are_those_known(instants: np.ndarray) -> None:
    sun, moon = (body.distance_km(instants) for body in both())
    assert 147.08e6 < sun.min() < 147.11e6
    assert 152.08e6 < sun.max() < 152.11e6
    assert 356_300 < moon.min() < 358_000
    assert 405_500 < moon.max() < 406_800


def test_sidereal_time_is_earth_rotation_and_the_equinox(instants: np.ndarray) -> None:
    over = sky()
    time = load().time(instants)
    assert (24.0 * over.sidereal_time(instants)) % 24.0 == pytest.approx(time.gast, abs=1e-8)
    turned_since_ut1 = 63.8285 / DAY_S * 1.00273781  # delta T at J2000.0
    assert over.earth_rotation(np.array([0.0]))[0] == pytest.approx(0.7790572732640 - turned_since_ut1, abs=1e-8)


def test_hour_angle_is_sidereal_time_less_right_ascension(instants: np.ndarray) -> None:
    over = sky()
    from_equinox = over.moon.right_ascension(instants) + over.equinox.value(instants, 0)
    expected = over.sidereal_time(instants) - from_equinox
    assert over.greenwich_hour_angle(over.moon, instants) == pytest.approx(expected, abs=1e-10)


def test_memory_is_bounded_by_what_the_whole_ephemeris_takes() -> None:
    over = sky()
    assert 0 < over.used_bytes() <= over.capacity_bytes() < 16_000_000


def test_threads_that_start_together_make_one_sky(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bodies, "_skies", [])
    start = threading.Barrier(8)

    def ask(_: int) -> Sky:
        start.wait()
        return sky()

    with ThreadPoolExecutor(8) as threads:
        found = list(threads.map(ask, range(8)))
    assert all(each is found[0] for each in found)


def test_threads_find_what_one_alone_finds(monkeypatch: pytest.MonkeyPatch, instants: np.ndarray) -> None:
    expected = sky().sun.right_ascension(instants[:400])
    monkeypatch.setattr(bodies, "_skies", [])
    with ThreadPoolExecutor(8) as threads:
        found = list(threads.map(lambda _: sky().sun.right_ascension(instants[:400]), range(8)))
    for each in found:
        assert each == pytest.approx(expected, abs=1e-13)
