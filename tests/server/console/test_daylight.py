"""The local day of a venue: its length, its light, and where the Sun keeps up or down."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest

from scheduling.sky.places import Place
from server.console.daylight import daylight

LISBON = (Place(38.71, -9.14), "Europe/Lisbon")
CHATHAM = (Place(-43.95, -176.56), "Pacific/Chatham")
FAR_NORTH = (Place(78.2, 15.6), "Arctic/Longyearbyen")
WHITE_NIGHTS = (Place(63.1, 21.6), "Europe/Helsinki")


@pytest.mark.parametrize(
    ("place", "at", "hours"),
    [
        (LISBON, datetime(2026, 3, 20, 12, tzinfo=UTC), 24),
        (LISBON, datetime(2026, 10, 25, 12, tzinfo=UTC), 25),
        (LISBON, datetime(2026, 3, 29, 12, tzinfo=UTC), 23),
        (CHATHAM, datetime(2026, 4, 4, 20, tzinfo=UTC), 25),
    ],
)
def test_a_day_is_as_long_as_the_clocks_make_it(place: tuple[Place, str], at: datetime, hours: int) -> None:
    day = daylight(*place, at)
    assert day.begins <= at < day.ends
    assert day.ends - day.begins == timedelta(hours=hours)


@pytest.mark.parametrize("place", [LISBON, CHATHAM, FAR_NORTH, WHITE_NIGHTS])
@pytest.mark.parametrize("month", range(1, 13))
def test_the_light_fills_the_day_without_holes(place: tuple[Place, str], month: int) -> None:
    day = daylight(*place, datetime(2026, month, 21, 9, tzinfo=UTC))
    assert (day.stretches[0].begins, day.stretches[-1].ends) == (day.begins, day.ends)
    for earlier, later in pairwise(day.stretches):
        assert earlier.ends == later.begins
        assert earlier.light != later.light
        assert {earlier.light, later.light} != {"day", "night"}  # twilight lies between


def test_an_ordinary_day() -> None:
    day = daylight(*LISBON, datetime(2026, 3, 20, 12, tzinfo=UTC))
    assert [one.light for one in day.stretches] == ["night", "twilight", "day", "twilight", "night"]
    assert day.light(datetime(2026, 3, 20, 12, tzinfo=UTC)) == "day"
    assert day.light(datetime(2026, 3, 20, 2, tzinfo=UTC)) == "night"
    at, kind = day.next_turn(datetime(2026, 3, 20, 12, tzinfo=UTC)) or (None, None)
    assert kind == "sunset" and at is not None and at.date() == day.begins.date()


def test_the_light_of_a_published_day() -> None:
    """USNO Astronomical Applications API 4.0.1, rstt/oneday, 2026-03-20, 44.82 N 20.46 E, to a minute (via a capture
    of its JSON on 2026-10-09 by a third party)."""
    day = daylight(Place(44.82, 20.46), "Europe/Belgrade", datetime(2026, 3, 20, 12, tzinfo=UTC))
    published = [(4, 12, "twilight"), (4, 42, "day"), (16, 50, "twilight"), (17, 20, "night")]
    for stretch, (hour, minute, light) in zip(day.stretches[1:], published, strict=True):
        assert stretch.light == light
        assert abs(stretch.begins - datetime(2026, 3, 20, hour, minute, tzinfo=UTC)) <= timedelta(minutes=1)


@pytest.mark.parametrize(("month", "light"), [(6, "day"), (12, "night")])
def test_where_the_sun_keeps_up_or_down(month: int, light: str) -> None:
    at = datetime(2026, month, 21, 12, tzinfo=UTC)
    day = daylight(*FAR_NORTH, at)
    assert [one.light for one in day.stretches] == [light]
    assert day.next_turn(at) is None


def test_a_white_night_has_no_night() -> None:
    day = daylight(*WHITE_NIGHTS, datetime(2026, 6, 21, 12, tzinfo=UTC))
    assert [one.light for one in day.stretches] == ["twilight", "day", "twilight"]
