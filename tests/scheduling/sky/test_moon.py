from __future__ import annotations

from datetime import UTC, datetime

import ephem
import numpy as np
import pytest

from scheduling.sky import almanac
from scheduling.sky.ephemeris import EphemerisRangeError
from scheduling.sky.moon import moon_faces
from scheduling.sky.places import Place
from scheduling.sky.timescales import DAY_S, posix_of

START, END = datetime(2026, 1, 1, tzinfo=UTC), datetime(2027, 1, 1, tzinfo=UTC)


def at(kind: str) -> np.ndarray:
    return np.array([posix_of(event.at) for event in almanac.find(kind, START, END)])


@pytest.mark.parametrize(
    ("kind", "fraction"), [("new-moon", 0.0), ("first-quarter", 0.5), ("full-moon", 1.0), ("last-quarter", 0.5)]
)
def test_the_four_phases(kind: str, fraction: float) -> None:
    assert moon_faces(at(kind)).illuminated_fraction == pytest.approx(fraction, abs=0.004)


def test_waxing_the_light_lies_to_the_west_and_waning_to_the_east() -> None:
    assert np.sin(np.radians(moon_faces(at("first-quarter")).bright_limb_degrees)).max() < -0.9
    assert np.sin(np.radians(moon_faces(at("last-quarter")).bright_limb_degrees)).min() > 0.9


def test_age_grows_from_new_moon_to_the_next() -> None:
    new = at("new-moon")
    assert moon_faces(new + 60.0).age_days == pytest.approx(60.0 / DAY_S, abs=1e-6)
    before = moon_faces(new[1:] - 60.0).age_days
    assert before == pytest.approx((np.diff(new) - 60.0) / DAY_S, abs=1e-6)


def test_the_phase_angle_and_the_fraction_say_the_same() -> None:
    faces = moon_faces(posix_of(START) + np.arange(0.0, 60.0 * DAY_S, DAY_S / 3.0))
    expected = 0.5 * (1.0 + np.cos(np.radians(faces.phase_angle_degrees)))
    assert faces.illuminated_fraction == pytest.approx(expected, abs=1e-12)
    assert ((faces.bright_limb_degrees >= 0.0) & (faces.bright_limb_degrees < 360.0)).all()


def test_the_illuminated_fraction_against_ephem() -> None:
    instants = posix_of(START) + np.random.default_rng(4).uniform(0.0, 365.0 * DAY_S, 300)
    theirs = []
    for instant in instants.tolist():
        moon = ephem.Moon(ephem.Date(datetime.fromtimestamp(instant, UTC)))
        theirs.append(moon.moon_phase)
    assert moon_faces(instants).illuminated_fraction == pytest.approx(np.array(theirs), abs=0.0025)


def test_from_the_zenith_against_ephem_by_its_parallactic_angle() -> None:
    """The same angle as a person sees it: the position angle of the light less ephem's parallactic angle."""
    place = Place(38.72, -9.14)
    observer = ephem.Observer()
    observer.lat, observer.lon, observer.pressure = str(place.latitude_degrees), str(place.longitude_degrees), 0
    instants = posix_of(START) + np.random.default_rng(9).uniform(0.0, 365.0 * DAY_S, 300)
    faces = moon_faces(instants, place)
    assert faces.bright_limb_from_zenith_degrees is not None
    parallactic, slim = [], []
    for instant in instants.tolist():
        observer.date = ephem.Date(datetime.fromtimestamp(instant, UTC))
        moon = ephem.Moon(observer)
        parallactic.append(np.degrees(float(moon.parallactic_angle())))
        slim.append(0.1 < moon.moon_phase < 0.9)  # of a full or new Moon parallax turns the line to the Sun about
    apart = faces.bright_limb_degrees - faces.bright_limb_from_zenith_degrees - np.array(parallactic)
    apart = (apart + 180.0) % 360.0 - 180.0
    assert np.abs(apart[np.array(slim)]).max() < 2.5
    assert np.median(np.abs(apart[np.array(slim)])) < 0.6


def test_the_same_moon_hangs_the_other_way_round_in_the_south() -> None:
    evening = np.array([posix_of(datetime(2026, 2, 24, 19, tzinfo=UTC))])  # a waxing Moon, high in both places
    north, south = (moon_faces(evening, Place(latitude, 0.0)).bright_limb_from_zenith_degrees for latitude in (50, -30))
    assert north is not None
    assert south is not None
    assert np.sin(np.radians(north[0])) < -0.4  # clockwise of the zenith: lit on the right
    assert np.sin(np.radians(south[0])) > 0.4  # lit on the left


def test_a_place_changes_nothing_but_the_tilt() -> None:
    instants = posix_of(START) + np.arange(5.0) * DAY_S
    without, with_ = moon_faces(instants), moon_faces(instants, Place(10.0, 20.0))
    assert without.bright_limb_from_zenith_degrees is None
    assert with_.illuminated_fraction.tolist() == without.illuminated_fraction.tolist()


@pytest.mark.parametrize("shape", [(), (3,), (2, 2)])
def test_shapes_are_kept(shape: tuple[int, ...]) -> None:
    faces = moon_faces(np.full(shape, posix_of(START)), Place(10.0, 20.0))
    assert faces.bright_limb_from_zenith_degrees is not None
    for field in (
        faces.illuminated_fraction,
        faces.phase_angle_degrees,
        faces.age_days,
        faces.bright_limb_degrees,
        faces.bright_limb_from_zenith_degrees,
    ):
        assert field.shape == shape


def test_outside_the_ephemeris() -> None:
    with pytest.raises(EphemerisRangeError):
        moon_faces([posix_of(datetime(2060, 1, 1, tzinfo=UTC))])
