"""Changes of clocks against the rules of the IANA time zone database, worked out by hand from its lines.

Read in eggert/tz@b9bc7a87 (2026-07-21); the expected instants follow from Rule and Zone lines by calendar arithmetic,
not from a library.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from scheduling.sky import civil
from scheduling.sky.zones import zone, zone_version
from tests.reference.clock import utc

MINUTE = timedelta(minutes=1)


def local(text: str) -> datetime:
    """A local date and time, without an offset."""
    return datetime.fromisoformat(text)


def hours(offset: float) -> timedelta:
    """An offset from UTC."""
    return timedelta(hours=offset)


def changes(zone_: ZoneInfo, year: int) -> list[tuple[datetime, timedelta]]:
    """The instants of a year, to the minute, at which the zone's offset changes, and the offset from then on."""
    found = []
    low = utc(year, 1, 1)
    while low < utc(year + 1, 1, 1):
        high = low + timedelta(days=1)
        if low.astimezone(zone_).utcoffset() != high.astimezone(zone_).utcoffset():
            found.append(_change(zone_, low, high))
        low = high
    return found


def _change(zone_: ZoneInfo, low: datetime, high: datetime) -> tuple[datetime, timedelta]:
    before = low.astimezone(zone_).utcoffset()
    while high - low > MINUTE:
        middle = low + (high - low) // MINUTE // 2 * MINUTE
        low, high = (middle, high) if middle.astimezone(zone_).utcoffset() == before else (low, middle)
    offset = high.astimezone(zone_).utcoffset()
    assert offset is not None
    return high, offset


@pytest.mark.parametrize(
    ("name", "year", "expected"),
    [
        # Rule EU: last Sunday of March and October, 01:00 UTC.
        ("Europe/Berlin", 2026, [(utc(2026, 3, 29, 1), hours(2)), (utc(2026, 10, 25, 1), hours(1))]),
        # Rule US: second Sunday of March, first Sunday of November, 02:00 local.
        ("America/New_York", 2026, [(utc(2026, 3, 8, 7), hours(-4)), (utc(2026, 11, 1, 6), hours(-5))]),
        # Rule LH: half an hour.
        ("Australia/Lord_Howe", 2026, [(utc(2026, 4, 4, 15), hours(10.5)), (utc(2026, 10, 3, 15, 30), hours(11))]),
        # Rule Chile: at midnight.
        ("America/Santiago", 2026, [(utc(2026, 4, 5, 3), hours(-4)), (utc(2026, 9, 6, 4), hours(-3))]),
        # Zone Pacific/Apia: a day was skipped, on top of daylight saving.
        (
            "Pacific/Apia",
            2011,
            [(utc(2011, 4, 2, 14), hours(-11)), (utc(2011, 9, 24, 14), hours(-10)), (utc(2011, 12, 30, 10), hours(14))],
        ),
        # Releases 2026b and 2026c: no more changes after March 2026.
        ("America/Vancouver", 2026, [(utc(2026, 3, 8, 10), hours(-7))]),
        ("America/Edmonton", 2026, [(utc(2026, 3, 8, 9), hours(-6))]),
    ],
)
def test_changes_of_clocks(name: str, year: int, expected: list[tuple[datetime, timedelta]]) -> None:
    assert changes(zone(name), year) == expected


@pytest.mark.parametrize(("name", "offset"), [("America/Vancouver", -7), ("America/Edmonton", -6)])
def test_abolished_changes_stay_abolished_in_autumn(name: str, offset: int) -> None:
    assert utc(2026, 11, 25).astimezone(zone(name)).utcoffset() == hours(offset)


def test_the_database_is_new_enough_for_the_laws_of_2026() -> None:
    assert zone_version() >= "2026c"


def test_lord_howe_gap_and_fold_of_thirty_minutes() -> None:
    lord_howe = zone("Australia/Lord_Howe")
    for minute in range(60):
        in_gap = civil.readings(local(f"2026-10-04T02:{minute:02}"), lord_howe)
        assert len(in_gap) == (2 if minute < 30 else 1)
        in_fold = civil.readings(local(f"2026-04-05T01:{minute:02}"), lord_howe)
        assert len(in_fold) == (2 if minute >= 30 else 1)


def test_santiago_has_no_midnight_on_6_september_2026() -> None:
    santiago = zone("America/Santiago")
    for minute in (0, 59):
        with pytest.raises(civil.CivilTimeError) as refused:
            civil.instant_of(local(f"2026-09-06T00:{minute:02}"), santiago)
        assert not refused.value.exists
    assert civil.day_bounds(date(2026, 9, 6), santiago)[0] == utc(2026, 9, 6, 4)


def test_apia_has_no_30_december_2011() -> None:
    apia = zone("Pacific/Apia")
    start, end = civil.day_bounds(date(2011, 12, 30), apia)
    assert start == end == utc(2011, 12, 30, 10)
    with pytest.raises(civil.CivilTimeError):
        civil.instant_of(local("2011-12-30T12:00"), apia)
    assert civil.instant_of(local("2011-12-31T00:00"), apia) == utc(2011, 12, 30, 10)
    assert civil.instant_of(local("2011-12-29T23:59:59"), apia) == utc(2011, 12, 30, 9, 59, 59)


def test_rfc_5545_reading_of_a_time_that_does_not_exist_or_exists_twice() -> None:
    """RFC 5545 (B. Desruisseaux, September 2009), section 3.3.5, form 3, p. 34; text as shipped with a PyPI package."""
    new_york = zone("America/New_York")
    assert civil.rfc5545_instant(local("2007-03-11T02:30"), new_york) == utc(2007, 3, 11, 7, 30)
    assert civil.rfc5545_instant(local("2007-11-04T01:30"), new_york) == utc(2007, 11, 4, 5, 30)
