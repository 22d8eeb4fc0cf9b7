"""The Moon against published positions, phases, rise, set, transit, apsides and eclipses."""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import cache

import numpy as np
import pytest

from scheduling.sky import almanac, cycles
from scheduling.sky.bodies import sky
from scheduling.sky.moon import moon_faces
from scheduling.sky.places import Place
from scheduling.sky.topocentric import EQUATORIAL_RADIUS_KM, observer, vector
from tests.reference import usno
from tests.reference.clock import posix, seconds_from, tt_of, tt_of_jde, tt_of_ut1, utc
from tests.reference.errors import Errors
from tests.reference.test_sun import apart, declination_degrees, right_ascension_degrees, sexagesimal

DAY = timedelta(days=1)
REYKJAVIK = Place(64.15, -21.94)


# Positions: US Naval Observatory, via ephem 4.2.1, appgeo_moon.txt and apptopo_moon.txt. On their delta T see
# test_sun.py: half a second of it is 0.3 arcseconds here.


def test_usno_geocentric_positions_of_the_moon(errors: Errors) -> None:
    over, table = sky(), usno.positions("appgeo_moon.txt")
    assert len(table) == 12
    tt = tt_of_ut1([line.at_ut1 for line in table])
    ascension = apart(right_ascension_degrees(over, over.moon, tt), [line.right_ascension for line in table])
    declination = declination_degrees(over.moon, tt) - [line.declination for line in table]
    distance = over.moon.distance_km(tt) - [line.distance for line in table]
    assert errors.note("Moon, right ascension", "USNO 2008", "arcsec", 3600 * ascension) < 0.5
    assert errors.note("Moon, declination", "USNO 2008", "arcsec", 3600 * declination) < 0.5
    # The table's distance is that of the Moon when its light left it; ours is that of the same instant.
    assert errors.note("Moon, distance", "USNO 2008", "km", distance) < 0.2


def test_usno_topocentric_positions_of_the_moon(errors: Errors) -> None:
    over, table = sky(), usno.positions("apptopo_moon.txt")
    assert len(table) == 12
    place = Place(sexagesimal(33, 45, 36), -sexagesimal(84, 24, 36), 322.0)
    tt = tt_of_ut1([line.at_ut1 for line in table])
    x, y, z = vector(over, over.moon, place, tt)
    local_sidereal = 360.0 * (over.sidereal_time(tt) + observer(place).meridian_turns)
    ascension = apart(local_sidereal - np.degrees(np.arctan2(-y, x)), [line.right_ascension for line in table])
    declination = np.degrees(np.arctan2(z, np.hypot(x, y))) - [line.declination for line in table]
    assert errors.note("Moon from a place, right ascension", "USNO 2008", "arcsec", 3600 * ascension) < 0.5
    assert errors.note("Moon from a place, declination", "USNO 2008", "arcsec", 3600 * declination) < 0.5


# Phases.


def test_meeus_49a_new_moon_of_february_1977(errors: Errors) -> None:
    """J. Meeus, Astronomical Algorithms, 2nd ed., 1998, example 49.a, p. 353, via soniakeys/meeus@bfbd9ac2."""
    month = cycles.get("synodic-month")
    number = np.round(month.turns(posix(1977, 2, 18, 3, 37, 42)))
    assert number == -283  # the example's own k
    tt = sky().ephemeris.scales.tt_from_posix(month.instants(number))
    assert errors.note("new-moon", "Meeus ex. 49.a", "s", tt - tt_of_jde(2443192.65118)) < 10.0
    assert tt == pytest.approx(tt_of(1977, 2, 18, 3, 37, 42), abs=10.0)


def test_usno_the_phases_of_1980(errors: Errors) -> None:
    """US Naval Observatory, 1980 Phases of the Moon, via ephem 4.2.1, moon_phases.txt: 50 instants, whole minutes."""
    published = usno.moon_phases()
    assert len(published) == 50
    kinds = ["new-moon", "first-quarter", "full-moon", "last-quarter"]
    found = almanac.calendar(utc(1980, 1, 1), utc(1981, 1, 1), kinds=kinds)
    assert [event.kind for event in found] == [kind for kind, _ in published]
    differences = [seconds_from(event.at, at) for event, (_, at) in zip(found, published, strict=True)]
    assert errors.note("phases of the Moon", "USNO 1980 (whole minutes)", "s", differences) < 35.0


@pytest.mark.parametrize(
    ("kind", "published"),
    [
        ("new-moon", utc(2026, 9, 11, 3, 27)),
        ("first-quarter", utc(2026, 9, 18, 20, 44)),
        ("full-moon", utc(2026, 9, 26, 16, 49)),
    ],
)
def test_usno_phases_of_september_2026(kind: str, published: datetime) -> None:
    """US Naval Observatory, API 4.0.1, moon/phases/year?year=2026, via a third party's test."""
    (event,) = almanac.find(kind, utc(2026, 9, 1), utc(2026, 10, 1))
    assert abs(seconds_from(event.at, published)) < 60.0


# The face.


def test_usno_illuminated_fraction(errors: Errors) -> None:
    """US Naval Observatory, API 4.0.1, rstt/oneday, field fracillum at 12:00 UT, via JSON captured by a third party."""
    published = {(1, 1): 94, (3, 20): 3, (6, 21): 46, (9, 23): 89, (10, 15): 22, (12, 21): 90}
    faces = moon_faces([posix(2026, month, day, 12) for month, day in published])
    percent = 100.0 * faces.illuminated_fraction - list(published.values())
    assert errors.note("illuminated fraction of the Moon", "USNO API 2026 (whole percent)", "%", percent) < 0.6


def test_meeus_48a_the_face_of_the_moon() -> None:
    """J. Meeus, Astronomical Algorithms, 2nd ed., 1998, example 48.a: 1992-04-12 0h TD.

    i = 69.0756 degrees via soniakeys/meeus@bfbd9ac2, v3/moonillum; k = 0.6786 and chi = 285.0 degrees from memory.
    """
    faces = moon_faces(sky().ephemeris.scales.posix_from_tt(tt_of(1992, 4, 12)))
    assert faces.phase_angle_degrees == pytest.approx(69.0756, abs=0.005)
    assert faces.illuminated_fraction == pytest.approx(0.6786, abs=1e-4)
    assert faces.bright_limb_degrees == pytest.approx(285.0, abs=0.1)


# Rise, set and transit.


def test_usno_a_year_of_moonrise_and_moonset(errors: Errors) -> None:
    """US Naval Observatory, Rise and Set for the Moon for 1984, Boston, via ephem 4.2.1, riset_moon.txt."""
    table = list(usno.rise_and_set("riset_moon.txt", 1984))
    assert len(table) == 707
    boston = Place(42.0 + 19.0 / 60.0, -(71.0 + 5.0 / 60.0))
    for kind in ("rise", "set"):
        published = sorted(instant for name, instant in table if name == kind)
        found = almanac.find(f"moon{kind}", utc(1984, 1, 1, 5), utc(1985, 1, 1, 5), boston)
        differences = [seconds_from(event.at, at) for event, at in zip(found, published, strict=True)]
        assert errors.note(f"moon{kind}", "USNO, Boston 1984 (whole minutes)", "s", differences) < 35.0


# US Naval Observatory, Rise/Transit/Set of the Moon, Fairbanks, 21 days of 2006, via ephem 4.2.1, risettran_moon.txt.
FAIRBANKS = Place(sexagesimal(64, 48, 36), -147.75)
UNDER_FAIRBANKS = -147.75 + 180.0


def moon_events(day: usno.MoonDay, kind: str) -> list[almanac.SkyEvent]:
    """The events of a local day at Fairbanks."""
    start = datetime(day.day.year, day.day.month, day.day.day, tzinfo=usno.ALASKA_DAYLIGHT)
    if kind == "lower":
        return almanac.find("moon-over-meridian", start, start + DAY, longitude=UNDER_FAIRBANKS)
    return almanac.find(kind, start, start + DAY, FAIRBANKS)


def test_usno_rise_transit_and_set_at_fairbanks(errors: Errors) -> None:
    days = usno.moon_days()
    assert len(days) == 21
    for kind, attribute in (("moonrise", "rise"), ("moon-transit", "transit"), ("moonset", "set")):
        differences = []
        for day in days:
            published = getattr(day, attribute)
            found = moon_events(day, kind)
            assert len(found) == (published is not None), f"{kind} on {day.day}"
            differences += [seconds_from(event.at, published) for event in found]
        # At the edge of the circumpolar days the Moon grazes the horizon: there a minute is a hundredth of a degree.
        assert errors.note(kind, "USNO, Fairbanks 2006 (whole minutes)", "s", differences) < 60.0


def test_usno_circumpolar_moon_at_fairbanks() -> None:
    (day,) = [day for day in usno.moon_days() if day.day.isoformat() == "2006-06-24"]
    assert moon_events(day, "moonrise") == moon_events(day, "moonset") == []
    (transit,) = moon_events(day, "moon-transit")
    assert transit.details["altitude_degrees"] == pytest.approx(day.transit_altitude, abs=1.0)
    (lower,) = moon_events(day, "lower")
    assert day.lower_transit is not None
    assert abs(seconds_from(lower.at, day.lower_transit)) < 60.0


def test_usno_a_day_without_an_upper_transit() -> None:
    """US Naval Observatory, API 4.0.1, Reykjavik, UT day 2026-01-01, via JSON captured by a third party's tests."""
    day = utc(2026, 1, 1)
    assert almanac.calendar(day, day + DAY, REYKJAVIK, ["moonrise", "moonset", "moon-transit"]) == []
    (lower,) = almanac.find("moon-over-meridian", day, day + DAY, longitude=-21.94 + 180.0)
    assert abs(seconds_from(lower.at, utc(2026, 1, 1, 11, 31))) < 60.0


# Apsides: J. Meeus, Astronomical Algorithms, 2nd ed., 1998, p. 361 (hours of TD) and example 50.a, p. 357.
# Via soniakeys/meeus@bfbd9ac2, v3/apsis/apsis_test.go.


@pytest.mark.parametrize(
    ("day", "hour"),
    [((1990, 12, 2), 10.8), ((1990, 12, 30), 23.8), ((1997, 12, 9), 16.9), ((1998, 1, 3), 8.5)],
)
def test_meeus_50_perigees(day: tuple[int, int, int], hour: float, errors: Errors) -> None:
    near = utc(*day)
    (event,) = almanac.find("perigee", near - 2 * DAY, near + 3 * DAY)
    tt = sky().ephemeris.scales.tt_from_posix(event.at.timestamp())
    assert errors.note("perigee", "Meeus p. 361", "h", (tt - tt_of(*day)) / 3600.0 - hour) < 0.1


def test_meeus_50a_an_apogee() -> None:
    (event,) = almanac.find("apogee", utc(1988, 10, 1), utc(1988, 10, 15))
    tt = sky().ephemeris.scales.tt_from_posix(event.at.timestamp())
    assert tt == pytest.approx(tt_of_jde(2447442.3543), abs=600.0)  # the chapter's series is good to minutes
    parallax = 3600.0 * np.degrees(np.arcsin(EQUATORIAL_RADIUS_KM / event.details["distance_km"]))
    assert parallax == pytest.approx(3240.679, abs=0.2)


# Eclipses: F. Espenak, NASA GSFC, Lunar Eclipses 2001 to 2100; see data/README.md.


@cache
def pairs_of_eclipses() -> list[tuple[almanac.SkyEvent, usno.Eclipse]]:
    """Each eclipse found beside the catalogue's.

    The catalogue enlarges the shadow by the older rule of one fiftieth, ours by Danjon's, which is a little smaller: of
    what the catalogue calls eclipses, the Moon misses ours where it only brushed the penumbra.
    """
    found = almanac.find("lunar-eclipse", utc(2001, 1, 1), utc(2027, 1, 1))
    by_date = {event.at.date(): event for event in found}
    published = usno.lunar_eclipses()
    missed = [eclipse for eclipse in published if eclipse.greatest.date() not in by_date]
    assert [eclipse.penumbral_magnitude for eclipse in missed] == [0.017]
    pairs = [(by_date[eclipse.greatest.date()], eclipse) for eclipse in published if eclipse not in missed]
    assert len(pairs) == len(found) == 59
    return pairs


def test_nasa_every_lunar_eclipse_of_26_years(errors: Errors) -> None:
    pairs = pairs_of_eclipses()
    assert [event.details["type"] for event, _ in pairs] == [eclipse.type for _, eclipse in pairs]
    greatest = [seconds_from(event.at, eclipse.greatest) for event, eclipse in pairs]
    assert errors.note("lunar-eclipse", "NASA 2001 to 2026 (whole minutes)", "s", greatest) < 60.0
    umbral = [event.details["umbral_magnitude"] - eclipse.umbral_magnitude for event, eclipse in pairs]
    assert errors.note("umbral magnitude", "NASA 2001 to 2026 (older shadow)", "diameter", umbral) < 0.008
    penumbral = [event.details["penumbral_magnitude"] - eclipse.penumbral_magnitude for event, eclipse in pairs]
    assert errors.note("penumbral magnitude", "NASA 2001 to 2026 (older shadow)", "diameter", penumbral) < 0.035


def test_nasa_length_of_the_phases_of_eclipses(errors: Errors) -> None:
    pairs = pairs_of_eclipses()
    for stage, attribute in (("partial", "half_partial_min"), ("total", "half_total_min")):
        differences = []
        for event, eclipse in pairs:
            minutes = getattr(eclipse, attribute)
            assert (f"{stage}_begins" in event.details) == (minutes is not None)
            if minutes is not None:
                length = event.details[f"{stage}_ends"] - event.details[f"{stage}_begins"]
                differences.append(length.total_seconds() / 120.0 - minutes)
        # The most where the Moon only just touches the shadow, whose size is the older rule's.
        assert errors.note(f"half length of the {stage} phase", "NASA 2001 to 2026", "min", differences) < 4.0
