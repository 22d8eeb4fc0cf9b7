"""Rise, set, transit and twilight of the Sun against published tables."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest

from scheduling.sky import almanac
from scheduling.sky.places import Place
from tests.reference import usno
from tests.reference.clock import seconds_from, utc
from tests.reference.errors import Errors

DAY = timedelta(days=1)

# I. Reda and A. Andreas, NREL/TP-560-34302, rev. January 2008, table A5.1 and appendix A.2, via a conversion to text.
GOLDEN = Place(39.742476, -105.1786, 1830.14)


@pytest.mark.parametrize(
    ("kind", "published"),
    [
        ("sunrise", utc(2003, 10, 17, 13, 12, 43, 460_000)),
        ("solar-noon", utc(2003, 10, 17, 18, 46, 4, 970_000)),
        # The report wraps the day: this sunset is that of the UT day 17 October, the evening of the 16th in Golden.
        ("sunset", utc(2003, 10, 17, 0, 20, 19, 190_000)),
    ],
)
def test_nrel_sunrise_noon_and_sunset(kind: str, published: datetime, errors: Errors) -> None:
    day = utc(2003, 10, 17)
    (event,) = almanac.find(kind, day, day + DAY, GOLDEN)
    assert errors.note(kind, "NREL SPA, Golden 2003", "s", seconds_from(event.at, published)) < 2.0


# US Naval Observatory, Rise and Set for the Sun for 2007, Atlanta, via ephem 4.2.1, riset_sun.txt: every day.
ATLANTA = Place(33.0 + 46.0 / 60.0, -(84.0 + 25.0 / 60.0))


def test_usno_a_year_of_sunrise_and_sunset(errors: Errors) -> None:
    table = list(usno.rise_and_set("riset_sun.txt", 2007))
    assert len(table) == 2 * 365
    start, end = utc(2007, 1, 1, 5), utc(2008, 1, 1, 5)
    for kind in ("rise", "set"):
        published = sorted(instant for name, instant in table if name == kind)
        found = almanac.find(f"sun{kind}", start, end, ATLANTA)
        assert len(found) == 365
        apart = [seconds_from(event.at, at) for event, at in zip(found, published, strict=True)]
        # The table is rounded to the minute, and its coordinates to a minute of arc.
        assert errors.note(f"sun{kind}", "USNO, Atlanta 2007 (whole minutes)", "s", apart) < 34.0


def test_usno_two_days_as_printed() -> None:
    printed = {(1, 1): ((7, 43), (17, 40)), (6, 21): ((5, 27), (19, 51))}
    for (month, day), times in printed.items():
        start = datetime(2007, month, day, tzinfo=usno.EST)
        for kind, (hour, minute) in zip(("sunrise", "sunset"), times, strict=True):
            (event,) = almanac.find(kind, start, start + DAY, ATLANTA)
            assert abs(seconds_from(event.at, start.replace(hour=hour, minute=minute))) < 60.0


# US Naval Observatory, Astronomical Applications API 4.0.1, rstt/oneday, via JSON captured by a third party's tests.
BELGRADE, TROMSO, REYKJAVIK = Place(44.82, 20.46), Place(69.65, 18.96), Place(64.15, -21.94)


@pytest.mark.parametrize(
    ("kind", "place", "published"),
    [
        ("civil-dawn", BELGRADE, utc(2026, 3, 20, 4, 12)),
        ("sunrise", BELGRADE, utc(2026, 3, 20, 4, 42)),
        ("solar-noon", BELGRADE, utc(2026, 3, 20, 10, 46)),
        ("sunset", BELGRADE, utc(2026, 3, 20, 16, 50)),
        ("civil-dusk", BELGRADE, utc(2026, 3, 20, 17, 20)),
        ("solar-noon", TROMSO, utc(2026, 6, 21, 10, 46)),
        ("solar-midnight", TROMSO, utc(2026, 6, 21, 22, 46)),
        ("sunset", REYKJAVIK, utc(2026, 6, 21, 0, 4)),
        ("sunrise", REYKJAVIK, utc(2026, 6, 21, 2, 55)),
        ("solar-noon", REYKJAVIK, utc(2026, 6, 21, 13, 30)),
    ],
)
def test_usno_days_of_2026(kind: str, place: Place, published: datetime, errors: Errors) -> None:
    day = utc(published.year, published.month, published.day)
    (event,) = almanac.find(kind, day, day + DAY, place)
    assert errors.note(kind, "USNO API, 2026 (whole minutes)", "s", seconds_from(event.at, published)) < 60.0


@pytest.mark.parametrize(
    ("place", "absent"),
    [
        (TROMSO, ["sunrise", "sunset", "civil-dawn", "civil-dusk"]),  # continuously above the horizon
        (REYKJAVIK, ["civil-dawn", "civil-dusk", "nautical-dusk", "astronomical-dawn"]),
    ],
)
def test_usno_what_does_not_happen_at_midsummer(place: Place, absent: list[str]) -> None:
    day = utc(2026, 6, 21)
    assert almanac.calendar(day, day + DAY, place, absent) == []


def test_usno_sunset_comes_before_sunrise_at_midsummer() -> None:
    day = utc(2026, 6, 21)
    kinds = [event.kind for event in almanac.calendar(day, day + DAY, REYKJAVIK, ["sunrise", "sunset", "solar-noon"])]
    assert kinds == ["sunset", "sunrise", "solar-noon"]
