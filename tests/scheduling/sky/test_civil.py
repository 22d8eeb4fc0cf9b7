from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.errors import InputError
from scheduling.sky import civil
from scheduling.sky.civil import CivilTimeError, day_bounds, instant_in_words, instant_of, readings, rfc5545_instant
from scheduling.sky.zones import ZoneError, zone, zone_names, zone_version

LISBON, ST_JOHNS, CHATHAM = zone("Europe/Lisbon"), zone("America/St_Johns"), zone("Pacific/Chatham")
ZONES = st.sampled_from(
    ["Europe/Lisbon", "America/St_Johns", "Pacific/Chatham", "Australia/Lord_Howe", "Africa/Casablanca"]
)


def local(text: str) -> datetime:
    return datetime.fromisoformat(text)


def utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)  # type: ignore[arg-type, misc]


# The zone database.


def test_zones_come_from_the_package_whatever_the_system_has(monkeypatch: pytest.MonkeyPatch) -> None:
    """Not by way of ZoneInfo(name), which looks at the system first."""

    class Refuses(zone.__wrapped__.__globals__["ZoneInfo"]):  # type: ignore[misc]
        def __new__(cls, *args: object) -> object:
            raise AssertionError("asked for by name")

    zone.cache_clear()
    monkeypatch.setattr("scheduling.sky.zones.ZoneInfo", Refuses)
    with pytest.raises(AssertionError):
        Refuses("Europe/Lisbon")
    assert zone("Asia/Kathmandu").key == "Asia/Kathmandu"


def test_the_version_is_that_of_an_iana_release() -> None:
    year, letter = zone_version()[:4], zone_version()[4:]
    assert int(year) >= 2026
    assert len(letter) == 1
    assert letter.islower()


def test_every_zone_of_the_database_can_be_had() -> None:
    assert len(zone_names()) > 500
    for name in zone_names():
        assert zone(name).key == name
        assert utc(2026, 6, 1).astimezone(zone(name)).utcoffset() is not None


@pytest.mark.parametrize("name", ["Lisbon", "", "Europe/lisbon", "../../etc/passwd", "Europe", "tzdata.zi", "UTC+1"])
def test_a_name_that_is_no_zone_is_refused(name: str) -> None:
    with pytest.raises(ZoneError, match=zone_version()) as refused:
        zone(name)
    assert refused.value.field == "zone"


# Readings.


@given(name=ZONES, seconds=st.integers(1_600_000_000, 2_000_000_000))
def test_every_instant_is_a_reading_of_what_the_clock_shows_then(name: str, seconds: int) -> None:
    instant = datetime.fromtimestamp(seconds, UTC)
    shown = instant.astimezone(zone(name)).replace(tzinfo=None, fold=0)
    assert instant in [reading.utc for reading in readings(shown, zone(name))]


@given(name=ZONES, minutes=st.integers(0, 366 * 24 * 60))
def test_two_readings_only_where_the_clocks_change(name: str, minutes: int) -> None:
    shown = local("2026-01-01T00:00:00") + timedelta(minutes=minutes)
    found = readings(shown, zone(name))
    shows = [reading.at.astimezone(zone(name)).replace(tzinfo=None, fold=0) == shown for reading in found]
    if len(found) == 1:
        assert shows == [True]
        assert instant_of(shown, zone(name)) == found[0].utc
    else:
        assert found[0].utc < found[1].utc
        assert shows in ([True, True], [False, False])
        assert [reading.which for reading in found] == ["earlier", "later"]


@pytest.mark.parametrize(
    ("shown", "there", "earlier", "later", "exists"),
    [
        ("2026-10-25T01:30:00", LISBON, utc(2026, 10, 25, 0, 30), utc(2026, 10, 25, 1, 30), True),
        ("2026-03-29T01:30:00", LISBON, utc(2026, 3, 29, 0, 30), utc(2026, 3, 29, 1, 30), False),
        ("2026-03-08T02:30:00", ST_JOHNS, utc(2026, 3, 8, 5, 0), utc(2026, 3, 8, 6, 0), False),
        ("2026-04-05T03:00:00", CHATHAM, utc(2026, 4, 4, 13, 15), utc(2026, 4, 4, 14, 15), True),
        ("2026-09-27T03:00:00", CHATHAM, utc(2026, 9, 26, 13, 15), utc(2026, 9, 26, 14, 15), False),
    ],
)
def test_a_time_with_two_readings_is_refused_with_both(
    shown: str, there: object, earlier: datetime, later: datetime, exists: bool
) -> None:
    with pytest.raises(CivilTimeError) as refused:
        instant_of(local(shown), there)  # type: ignore[arg-type]
    error = refused.value
    assert [reading.utc for reading in error.readings] == [earlier, later]
    assert error.exists is exists
    assert isinstance(error, InputError)
    assert error.field == "civil"
    assert ("is shown twice" if exists else "does not exist") in str(error)
    for reading in error.readings:
        assert reading.in_words in str(error)
        assert reading.at.tzinfo is there
    assert instant_of(local(shown), there, "earlier") == earlier  # type: ignore[arg-type]
    assert instant_of(local(shown), there, "later") == later  # type: ignore[arg-type]


@pytest.mark.parametrize("which", [None, "earlier", "later"])
def test_which_says_nothing_where_there_is_one_reading(which: str | None) -> None:
    assert instant_of(local("2026-07-01T12:00:00"), LISBON, which) == utc(2026, 7, 1, 11)


@given(name=ZONES, minutes=st.integers(0, 366 * 24 * 60))
def test_rfc_5545_always_has_an_answer_which_is_one_of_the_readings(name: str, minutes: int) -> None:
    shown = local("2026-01-01T00:00:00") + timedelta(minutes=minutes)
    assert rfc5545_instant(shown, zone(name)) in [reading.utc for reading in readings(shown, zone(name))]


# Days.


@given(name=ZONES, ordinal=st.integers(date(2000, 1, 1).toordinal(), date(2050, 1, 1).toordinal()))
def test_days_follow_one_another_without_a_hole(name: str, ordinal: int) -> None:
    today, tomorrow = (day_bounds(date.fromordinal(each), zone(name)) for each in (ordinal, ordinal + 1))
    assert today[1] == tomorrow[0]
    assert timedelta(hours=22) <= today[1] - today[0] <= timedelta(hours=26)
    inside = today[0] + (today[1] - today[0]) / 2
    assert inside.astimezone(zone(name)).date().toordinal() == ordinal


@pytest.mark.parametrize(("day", "hours"), [(date(2026, 3, 29), 23), (date(2026, 10, 25), 25), (date(2026, 6, 21), 24)])
def test_a_day_on_which_clocks_change_is_longer_or_shorter(day: date, hours: int) -> None:
    begins, ends = day_bounds(day, LISBON)
    assert ends - begins == timedelta(hours=hours)


def test_a_reading_says_the_instant_and_what_is_shown() -> None:
    (reading,) = readings(local("2026-07-01T12:00:00"), LISBON)
    assert reading == civil.Reading("earlier", utc(2026, 7, 1, 11).astimezone(LISBON))
    assert reading.utc == utc(2026, 7, 1, 11)
    assert reading.at.isoformat() == "2026-07-01T12:00:00+01:00"


# Instants in sentences.


@pytest.mark.parametrize(
    ("at", "there", "said"),
    [
        (utc(2026, 11, 30, 12, 0), None, "2026-11-30 12:00 UTC"),
        (utc(2026, 11, 30, 12, 0, 5), None, "2026-11-30 12:00:05 UTC"),
        (utc(2026, 11, 30, 12, 0), ST_JOHNS, "2026-11-30 08:30 (America/St_Johns)"),
        (utc(2026, 11, 30, 12, 0), CHATHAM, "2026-12-01 01:45 (Pacific/Chatham)"),
        (utc(2026, 10, 25, 0, 30), LISBON, "2026-10-25 01:30 UTC+01:00 (Europe/Lisbon)"),
        (utc(2026, 10, 25, 1, 30), LISBON, "2026-10-25 01:30 UTC+00:00 (Europe/Lisbon)"),
        (utc(2026, 4, 4, 14, 0), CHATHAM, "2026-04-05 02:45 UTC+12:45 (Pacific/Chatham)"),
    ],
)
def test_an_instant_in_a_sentence_is_by_the_clock_there_and_says_which_where_it_comes_twice(
    at: datetime, there: ZoneInfo | None, said: str
) -> None:
    assert instant_in_words(at, there) == said


def test_what_a_clock_shows_twice_is_told_with_how_far_each_is_from_utc() -> None:
    with pytest.raises(CivilTimeError) as refused:
        instant_of(local("2026-10-25T01:30:00"), LISBON)
    assert str(refused.value).endswith(
        'say which is meant: "earlier" is 2026-10-25 01:30 UTC+01:00, "later" is 2026-10-25 01:30 UTC+00:00'
    )
