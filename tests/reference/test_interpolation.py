"""The sampled cycles against skyfield asked directly, at 100,000 random instants from 2000 to 2050.

This is the one place where skyfield is the judge: of the interpolation, not of the sky.
"""

from __future__ import annotations

import numpy as np
import pytest
from skyfield.api import wgs84
from skyfield.framelib import ecliptic_frame
from skyfield.timelib import Time

from scheduling.sky import cycles
from scheduling.sky.bodies import sky
from scheduling.sky.ephemeris import Ephemeris, load
from scheduling.sky.places import Place
from scheduling.sky.topocentric import MOON_UP, SUN_UP, Horizon, height_degrees
from tests.reference.clock import posix
from tests.reference.errors import Errors

COUNT, CHUNK = 100_000, 2_500
SMOOTH = ["apparent-solar-day", "mean-solar-day", "sidereal-day", "lunar-day", "synodic-month", "tropical-year"]


@pytest.fixture(scope="module")
def instants() -> np.ndarray:
    """Random POSIX seconds."""
    return np.random.default_rng(20260321).uniform(posix(2000, 1, 1), posix(2050, 1, 1), COUNT)


@pytest.fixture(scope="module")
def direct(instants: np.ndarray) -> dict[str, np.ndarray]:
    """The phase of each cycle by direct calls, with skyfield's own conversion from UTC."""
    loaded = load()
    parts = [_phases(loaded, _time(loaded, part)) for part in np.split(instants, COUNT // CHUNK)]
    return {name: np.concatenate([part[name] for part in parts]) for name in SMOOTH}


def _time(loaded: Ephemeris, instants: np.ndarray) -> Time:
    days, seconds = np.divmod(instants, 86_400.0)
    return loaded.timescale.utc(1970, 1, 1 + days, 0, 0, seconds)


def _phases(loaded: Ephemeris, time: Time) -> dict[str, np.ndarray]:
    earth = loaded.earth.at(time)
    sun, moon = earth.observe(loaded.sun).apparent(), earth.observe(loaded.moon).apparent()
    sun_longitude, moon_longitude = (body.frame_latlon(ecliptic_frame)[1].degrees for body in (sun, moon))
    return {
        "apparent-solar-day": (time.gast - sun.radec("date")[0].hours) / 24.0 + 0.5,
        "mean-solar-day": time.whole % 1.0 + time.ut1_fraction + 0.5,
        "sidereal-day": time.gast / 24.0,
        "lunar-day": (time.gast - moon.radec("date")[0].hours) / 24.0 + 0.5,
        "synodic-month": (moon_longitude - sun_longitude) / 360.0,
        "tropical-year": sun_longitude / 360.0,
    }


@pytest.mark.parametrize("name", SMOOTH)
def test_interpolation_keeps_its_published_bound(
    name: str, instants: np.ndarray, direct: dict[str, np.ndarray], errors: Errors
) -> None:
    cycle = cycles.get(name)
    apart = cycle.turns(instants) - direct[name]
    seconds = (apart - np.round(apart)) * cycle.mean_turn_s
    largest = errors.note(f"{name}, interpolation", "skyfield asked directly", "s", seconds)
    assert largest <= cycle.sampling_error_s <= 1e-3


@pytest.mark.parametrize(("name", "horizon"), [("sun", SUN_UP), ("moon", MOON_UP)])
def test_heights_above_the_horizon(name: str, horizon: Horizon, errors: Errors) -> None:
    """Found from a geocentric direction and a parallax; skyfield, from the place itself."""
    over, random = sky(), np.random.default_rng(6)
    loaded = over.ephemeris
    body, target = (over.sun, loaded.sun) if name == "sun" else (over.moon, loaded.moon)
    apart = []
    for latitude, longitude in random.uniform((-90, -180), (90, 180), (10, 2)).tolist():
        tt = np.sort(random.uniform(loaded.first_tt, loaded.last_tt, 200))
        height, _ = height_degrees(over, body, Place(latitude, longitude, 500.0), horizon, tt)
        seen = (loaded.earth + wgs84.latlon(latitude, longitude, 500.0)).at(loaded.time(tt)).observe(target).apparent()
        altitude, _, distance = seen.altaz()
        semidiameter = np.degrees(np.arcsin(horizon.radius_km / distance.km))
        apart.append(3600.0 * (height - (altitude.degrees + semidiameter - horizon.altitude_degrees)))
    largest = errors.note(f"{name.capitalize()}, height above the horizon", "skyfield asked directly", "arcsec", apart)
    # The Moon's aberration is taken for the Earth's centre and not for the place: a hundredth of a second of time.
    assert largest < (0.001 if name == "sun" else 0.2)


@pytest.mark.parametrize("name", SMOOTH)
def test_instants_and_turns_are_inverse(name: str, instants: np.ndarray, errors: Errors) -> None:
    cycle = cycles.get(name)
    apart = cycle.instants(cycle.turns(instants)) - instants
    assert errors.note(f"{name}, there and back", "itself", "s", apart) < 1e-4


@pytest.mark.parametrize("name", SMOOTH)
def test_turns_increase_strictly(name: str, instants: np.ndarray) -> None:
    assert (np.diff(cycles.get(name).turns(np.sort(instants))) > 0.0).all()
