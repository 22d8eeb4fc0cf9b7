from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta

import pytest

from machines.errors import InputError
from scheduling.sky import almanac, cycles
from scheduling.sky.places import Place
from scheduling.sky.zones import zone, zone_version
from server.sky_report.table import MOST_DAYS, as_json, as_table, listing

LISBON, IN_LISBON = Place(38.72, -9.14, 20.0), zone("Europe/Lisbon")
TROMSO, IN_OSLO = Place(69.65, 18.96), zone("Europe/Oslo")


def test_days_hold_what_the_almanac_finds() -> None:
    listed = listing(LISBON, IN_LISBON, date(2026, 10, 24), date(2026, 10, 26))
    assert [day.date.day for day in listed.days] == [24, 25, 26]
    start, end = datetime(2026, 10, 23, 23, tzinfo=UTC), datetime(2026, 10, 27, tzinfo=UTC)
    assert (listed.days[0].begins, listed.days[-1].ends) == (start, end)
    assert [event for day in listed.days for event in day.events] == almanac.calendar(start, end, LISBON)
    for day in listed.days:
        assert all(event.at.astimezone(IN_LISBON).date() == day.date for event in day.events)


def test_days_hold_the_turns_at_their_beginning() -> None:
    (day,) = listing(LISBON, IN_LISBON, date(2026, 10, 24), date(2026, 10, 24)).days
    assert set(day.turns) == set(cycles.CYCLE_NAMES) - {"period"}
    for name, turns in day.turns.items():
        options = {"place": LISBON} if name == "temporal-hours" else {}
        assert turns == float(cycles.get(name, **options).turns(day.begins.timestamp()))


def test_the_polar_day_has_no_temporal_hours() -> None:
    (day,) = listing(TROMSO, IN_OSLO, date(2026, 6, 21), date(2026, 6, 21)).days
    assert day.turns["temporal-hours"] is None
    assert day.turns["lunar-day"] is not None
    assert "sunset" not in {event.kind for event in day.events}


@pytest.mark.parametrize(("day", "hours"), [(25, 25), (26, 24)])
def test_the_length_of_a_day(day: int, hours: int) -> None:
    (only,) = listing(LISBON, IN_LISBON, date(2026, 10, day), date(2026, 10, day)).days
    assert only.length == timedelta(hours=hours)


@pytest.mark.parametrize("days", [0, -5, MOST_DAYS + 1])
def test_too_few_or_too_many_days_are_refused(days: int) -> None:
    first = date(2026, 1, 1)
    with pytest.raises(InputError) as refused:
        listing(LISBON, IN_LISBON, first, first + timedelta(days=days - 1))
    assert refused.value.field == "to"


def test_as_json() -> None:
    data = as_json(listing(LISBON, IN_LISBON, date(2026, 10, 25), date(2026, 10, 25)))
    assert json.loads(json.dumps(data)) == data
    assert data["place"] == {"latitude": 38.72, "longitude": -9.14, "elevation_m": 20.0}
    assert (data["zone"], data["zone_database"]) == ("Europe/Lisbon", zone_version())
    (day,) = data["days"]
    assert (day["begins"], day["ends"]) == ("2026-10-24T23:00:00.000000Z", "2026-10-26T00:00:00.000000Z")
    sunset = next(event for event in day["events"] if event["kind"] == "sunset")
    assert sunset["at"].startswith("2026-10-25T17:44:")
    assert sunset["local"].startswith("2026-10-25T17:44:")
    assert sunset["local"].endswith("+00:00")
    midnight = next(event for event in day["events"] if event["kind"] == "solar-midnight")
    assert midnight["local"].endswith("+01:00")


def test_as_a_table() -> None:
    lines = as_table(listing(LISBON, IN_LISBON, date(2026, 10, 24), date(2026, 10, 25))).splitlines()
    assert lines[0] == f"38.7200°N 9.1400°W, elevation 20 m; Europe/Lisbon, zone database {zone_version()}"
    assert "Saturday 2026-10-24" in lines
    assert "Sunday 2026-10-25, 25 hours long: the clocks change" in lines
    (sunset,) = [line for line in lines if "sunset" in line and line.strip().startswith("10-24")]
    assert sunset.split() == ["10-24", "18:46:06", "+0100", "10-24", "17:46:06Z", "sunset,", "azimuth", "255.3°"]
    (turns,) = [line for line in lines if "apparent-solar-day" in line and "9792" in line]
    assert turns.split()[0] == "apparent-solar-day"


@pytest.mark.parametrize(
    ("day", "words"),
    [
        (date(2026, 1, 3), "perihelion, 1470998"),
        (date(2026, 3, 3), "lunar-eclipse, total, umbral magnitude 1.15"),
        (date(2026, 3, 20), "march-equinox"),
        (date(2026, 6, 21), "solar-noon, altitude 74.7°"),
    ],
)
def test_what_a_table_says_of_events(day: date, words: str) -> None:
    assert words in as_table(listing(LISBON, IN_LISBON, day, day))


def test_a_table_says_where_there_are_no_temporal_hours() -> None:
    table = as_table(listing(TROMSO, IN_OSLO, date(2026, 6, 21), date(2026, 6, 21)))
    assert "no sunrise and sunset then" in table


def test_seconds_are_rounded_and_carry_over() -> None:
    """00:04:59.9 is 00:05:00, in every column."""
    listed = listing(LISBON, IN_LISBON, date(2026, 1, 1), date(2026, 12, 31))
    late = next(event for day in listed.days for event in day.events if event.at.microsecond > 600_000)
    rounded = (late.at + timedelta(microseconds=500_000)).strftime("%m-%d %H:%M:%SZ")
    assert any(rounded in line and late.kind in line for line in as_table(listed).splitlines())
