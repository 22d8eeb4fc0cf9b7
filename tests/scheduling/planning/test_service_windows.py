"""Service windows by the clocks of a zone or by an instant, and the times that they come.

The changes of clocks are those of the IANA time zone database (`tests/reference/test_zones.py` checks them against its
rules): Europe/Lisbon by rule EU, on the last Sundays of March and October at 01:00 UTC; America/St_Johns by rule
Canada, second Sunday of March and first Sunday of November at 02:00 local; Pacific/Chatham by rule Chatham, the last
Sunday of September and the first of April at 02:45 standard time; Pacific/Apia had no 30 December 2011.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.errors import InputError
from machines.serialization import structure, unstructure
from scheduling.planning.service_windows import (
    Comes,
    Once,
    ServiceWindow,
    Weekday,
    Weekly,
    begins_at,
    last_before,
    spans,
)
from scheduling.sky.places import Place
from scheduling.sky.zones import zone

LISBON, ST_JOHNS, CHATHAM = zone("Europe/Lisbon"), zone("America/St_Johns"), zone("Pacific/Chatham")
SHED = Place(38.7, -9.1)
ZONES = st.sampled_from(
    ["Europe/Lisbon", "America/St_Johns", "Pacific/Chatham", "Australia/Lord_Howe", "America/Santiago", "UTC"]
)


def utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)  # type: ignore[arg-type, misc]


def weekly(weekday: str, begins: str, ends: str, last_date: str | None = None, id: str = "rounds") -> ServiceWindow:
    comes = structure(
        {"kind": "weekly", "weekday": weekday, "begins": begins, "ends": ends, "last_date": last_date}, Weekly
    )
    return ServiceWindow(id=id, name=id, comes=comes, begins_at=None)


def once(at: datetime, minutes: int, id: str = "visit") -> ServiceWindow:
    return ServiceWindow(id=id, name=id, comes=Once(anchor={}, minutes=minutes), begins_at=at)


def times(windows: list[ServiceWindow], name: str, start: datetime, end: datetime) -> list[tuple[datetime, datetime]]:
    return [(one.starts_at, one.ends_at) for one in spans(windows, zone(name), start, end)]


# What instants they are.


def test_a_weekly_window_comes_each_week_on_its_day() -> None:
    found = times([weekly("tuesday", "10:00", "11:30")], "Europe/Lisbon", utc(2026, 7, 1), utc(2026, 7, 20))
    assert found == [
        (utc(2026, 7, 7, 9), utc(2026, 7, 7, 10, 30)),
        (utc(2026, 7, 14, 9), utc(2026, 7, 14, 10, 30)),
    ]
    assert date(2026, 7, 7).weekday() == 1


def test_it_begins_no_more_after_its_last_date() -> None:
    window = weekly("monday", "22:00", "02:00", last_date="2026-07-13")
    found = times([window], "UTC", utc(2026, 7, 1), utc(2026, 8, 1))
    assert found == [(utc(2026, 7, 6, 22), utc(2026, 7, 7, 2)), (utc(2026, 7, 13, 22), utc(2026, 7, 14, 2))]
    assert (
        times([weekly("monday", "09:00", "10:00", last_date="2026-07-12")], "UTC", utc(2026, 7, 7), found[1][0]) == []
    )


def test_it_does_not_begin_on_a_date_that_is_off() -> None:
    """The night from Monday the 13th is off, and with it what would have reached into Tuesday."""
    window = replace(weekly("monday", "22:00", "02:00"), dates_off=("2026-07-13", "2026-07-21"))
    found = times([window], "UTC", utc(2026, 7, 1), utc(2026, 7, 27))
    assert found == [(utc(2026, 7, day, 22), utc(2026, 7, day + 1, 2)) for day in (6, 20)]


def test_one_that_is_on_counts_whole_and_one_that_touches_does_not() -> None:
    windows, on = [weekly("monday", "22:00", "02:00")], (utc(2026, 7, 6, 22), utc(2026, 7, 7, 2))
    assert times(windows, "UTC", utc(2026, 7, 7, 1, 59), utc(2026, 7, 7, 3)) == [on]
    assert times(windows, "UTC", utc(2026, 7, 7, 2), utc(2026, 7, 7, 3)) == []
    assert times(windows, "UTC", utc(2026, 7, 6, 12), utc(2026, 7, 6, 22)) == []
    visit = once(utc(2026, 7, 6, 10), 90)
    assert times([visit], "UTC", utc(2026, 7, 6, 11), utc(2026, 7, 7)) == [
        (utc(2026, 7, 6, 10), utc(2026, 7, 6, 11, 30))
    ]
    assert times([visit], "UTC", utc(2026, 7, 6, 11, 30), utc(2026, 7, 7)) == []


def test_windows_are_in_order_of_time_and_stay_apart() -> None:
    windows = [weekly("monday", "10:00", "12:00", id="b"), once(utc(2026, 7, 6, 11), 60, id="a")]
    found = spans(windows, zone("UTC"), utc(2026, 7, 6), utc(2026, 7, 14))
    assert [(one.window, one.starts_at) for one in found] == [
        ("b", utc(2026, 7, 6, 10)),
        ("a", utc(2026, 7, 6, 11)),
        ("b", utc(2026, 7, 13, 10)),
    ]


def test_across_changes_of_clocks_it_keeps_to_the_clock() -> None:
    """Lisbon on 25 October, St John's on 1 November, Chatham on 27 September 2026."""
    sundays = [weekly("sunday", "10:00", "12:00")]
    assert times(sundays, "Europe/Lisbon", utc(2026, 10, 18), utc(2026, 10, 26)) == [
        (utc(2026, 10, 18, 9), utc(2026, 10, 18, 11)),
        (utc(2026, 10, 25, 10), utc(2026, 10, 25, 12)),
    ]
    assert times(sundays, "America/St_Johns", utc(2026, 10, 25), utc(2026, 11, 2)) == [
        (utc(2026, 10, 25, 12, 30), utc(2026, 10, 25, 14, 30)),
        (utc(2026, 11, 1, 13, 30), utc(2026, 11, 1, 15, 30)),
    ]
    assert times(sundays, "Pacific/Chatham", utc(2026, 9, 19, 12), utc(2026, 9, 27)) == [
        (utc(2026, 9, 19, 21, 15), utc(2026, 9, 19, 23, 15)),
        (utc(2026, 9, 26, 20, 15), utc(2026, 9, 26, 22, 15)),
    ]


@pytest.mark.parametrize(
    ("name", "begins", "ends", "day", "expected"),
    [
        # Shown twice: 01:00 to 02:00 in Lisbon, from 00:00 UTC on; 01:00 to 02:00 in St John's, from 03:30 UTC on;
        # 02:45 to 03:45 in Chatham, from 13:00 UTC of the day before on.
        ("Europe/Lisbon", "01:15", "01:45", utc(2026, 10, 25), (utc(2026, 10, 25, 0, 15), utc(2026, 10, 25, 1, 45))),
        ("America/St_Johns", "01:15", "01:45", utc(2026, 11, 1), (utc(2026, 11, 1, 3, 45), utc(2026, 11, 1, 5, 15))),
        ("Pacific/Chatham", "03:00", "03:30", utc(2026, 4, 5), (utc(2026, 4, 4, 13, 15), utc(2026, 4, 4, 14, 45))),
        # Not shown: 01:00 to 02:00 in Lisbon, at 01:00 UTC; 02:00 to 03:00 in St John's, at 05:30 UTC;
        # 02:45 to 03:45 in Chatham, at 14:00 UTC of the day before.
        ("Europe/Lisbon", "01:15", "01:45", utc(2026, 3, 29), (utc(2026, 3, 29, 0, 15), utc(2026, 3, 29, 1, 45))),
        ("America/St_Johns", "02:15", "02:45", utc(2026, 3, 8), (utc(2026, 3, 8, 4, 45), utc(2026, 3, 8, 6, 15))),
        ("Pacific/Chatham", "03:00", "03:30", utc(2026, 9, 27), (utc(2026, 9, 26, 13, 15), utc(2026, 9, 26, 14, 45))),
    ],
)
def test_a_time_shown_twice_or_never_begins_earlier_and_ends_later(
    name: str, begins: str, ends: str, day: datetime, expected: tuple[datetime, datetime]
) -> None:
    found = times([weekly("sunday", begins, ends)], name, day - timedelta(days=2), day + timedelta(days=2))
    assert found == [expected]


def test_where_midnight_is_not_shown_it_may_begin_on_the_date_before() -> None:
    """Santiago, rule Chile: on Sunday 2026-09-06 at 00:00 (04:00 UTC) from -04:00 to -03:00; 00:15 may be 23:15."""
    window, on = weekly("sunday", "00:15", "02:00"), (utc(2026, 9, 6, 3, 15), utc(2026, 9, 6, 5))
    for start, end in (
        (utc(2026, 9, 6, 3), utc(2026, 9, 6, 3, 30)),
        (utc(2026, 9, 6, 4, 59), utc(2026, 9, 6, 12)),
        (utc(2026, 9, 5), utc(2026, 9, 7)),
    ):
        assert times([window], "America/Santiago", start, end) == [on]
    assert times([window], "America/Santiago", utc(2026, 9, 6, 2), utc(2026, 9, 6, 3, 15)) == []


def test_a_date_that_was_skipped_has_none() -> None:
    friday = [weekly("friday", "10:00", "12:00")]
    assert date(2011, 12, 30).weekday() == 4
    assert times(friday, "Pacific/Apia", utc(2011, 12, 28), utc(2012, 1, 2)) == []


# By an anchor.


def test_a_window_by_the_sky_begins_with_its_event() -> None:
    """Sunset at 38.7 north, 9.1 west on 21 June 2026: 20:05 by Lisbon's clock, 19:05 UTC, to a minute or two."""
    comes = Once(anchor={"event": "sunset", "date": "2026-06-21", "offset": "PT30M"}, minutes=60)
    at = begins_at(comes, SHED, LISBON)
    assert at is not None and abs(at - utc(2026, 6, 21, 20, 35)) < timedelta(minutes=2)


@pytest.mark.parametrize(
    ("name", "local"),
    [
        ("Europe/Lisbon", "2026-10-25T01:30"),
        ("Europe/Lisbon", "2026-03-29T01:30"),
        ("America/St_Johns", "2026-11-01T01:30"),
        ("Pacific/Chatham", "2026-09-27T03:00"),
    ],
)
def test_an_anchor_in_a_doubtful_hour_must_say_which_is_meant(name: str, local: str) -> None:
    anchor = {"civil": local, "zone": name}
    with pytest.raises(InputError) as refused:
        begins_at(Once(anchor=anchor, minutes=30), SHED, LISBON)
    assert refused.value.field == "anchor.civil"
    earlier, later = (
        begins_at(Once(anchor=anchor | {"which": w}, minutes=30), SHED, LISBON) for w in ("earlier", "later")
    )
    assert earlier is not None and later is not None and later - earlier == timedelta(hours=1)


def test_a_weekly_window_has_no_instant_of_its_own() -> None:
    assert begins_at(weekly("monday", "10:00", "11:00").comes, SHED, LISBON) is None


# The last one that begins before an end.


def test_the_last_before_an_end_begins_before_it() -> None:
    found = spans([weekly("monday", "10:00", "12:00")], zone("UTC"), utc(2026, 7, 1), utc(2026, 8, 1))
    first, second = found[0], found[1]
    assert last_before(found, second.starts_at) == first
    assert last_before(found, second.starts_at + timedelta(seconds=1)) == second
    assert last_before(found, first.starts_at) is None
    assert last_before([], utc(2026, 8, 1)) is None


# Whatever the windows.

CLOCKS = st.integers(0, 24 * 60 - 1).map(lambda minute: f"{minute // 60:02}:{minute % 60:02}")


@st.composite
def _weekly(draw: st.DrawFn) -> Weekly:
    begins, ends = draw(st.tuples(CLOCKS, CLOCKS).filter(lambda both: both[0] != both[1]))
    last = draw(st.none() | st.dates(date(2026, 1, 1), date(2027, 12, 31)).map(date.isoformat))
    return Weekly(weekday=draw(st.sampled_from(get_args(Weekday))), begins=begins, ends=ends, last_date=last)


COMES: st.SearchStrategy[Comes] = _weekly() | st.builds(
    Once, anchor=st.just({"civil": "2026-07-01T12:00", "zone": "Europe/Lisbon"}), minutes=st.integers(1, 10080)
)


@given(comes=_weekly(), name=ZONES, first=st.integers(0, 366 * 24), length_h=st.integers(1, 24 * 60))
def test_a_weekly_window_comes_once_for_each_of_its_days(comes: Weekly, name: str, first: int, length_h: int) -> None:
    start = utc(2026, 1, 1) + timedelta(hours=first)
    window = ServiceWindow(id="a", name="a", comes=comes, begins_at=None)
    found = spans([window], zone(name), start, start + timedelta(hours=length_h))
    days = [one.starts_at.astimezone(zone(name)).date() for one in found]
    longest = timedelta(hours=25)  # a day, and the hour by which clocks are put back
    assert all(timedelta(0) < one.ends_at - one.starts_at <= longest for one in found)
    assert all(one.starts_at < start + timedelta(hours=length_h) and one.ends_at > start for one in found)
    # The earlier reading of a time that is not shown lies before the gap: at most a day's beginning away from its date.
    weekday = get_args(Weekday).index(comes.weekday)
    assert all(weekday in (day.weekday(), (day + timedelta(days=1)).weekday()) for day in days)
    assert all(6 <= (later - day).days <= 8 for day, later in pairwise(days))
    if comes.last_date is None:
        assert len(found) >= length_h // (24 * 7)
    else:
        assert all(day.isoformat() <= comes.last_date for day in days)


@given(
    windows=st.lists(COMES, max_size=5),
    name=ZONES,
    hours=st.lists(st.integers(0, 60 * 24), min_size=3, max_size=3, unique=True).map(sorted),
)
def test_two_stretches_have_what_the_whole_has(windows: list[Comes], name: str, hours: list[int]) -> None:
    rows = [
        ServiceWindow(id=str(n), name="", comes=comes, begins_at=utc(2026, 2, 1) if isinstance(comes, Once) else None)
        for n, comes in enumerate(windows)
    ]
    start, middle, end = (utc(2026, 2, 1) + timedelta(hours=h) for h in hours)
    whole = spans(rows, zone(name), start, end)
    parts = spans(rows, zone(name), start, middle), spans(rows, zone(name), middle, end)
    assert set(whole) == set(parts[0]) | set(parts[1])
    assert whole == sorted(whole, key=lambda one: (one.starts_at, one.ends_at, one.window))
    found = last_before(whole, middle)
    assert found is None or found.starts_at < middle
    assert all(one.starts_at >= middle or (found is not None and one.starts_at <= found.starts_at) for one in whole)


@given(comes=COMES)
def test_a_window_survives_its_own_json(comes: Comes) -> None:
    assert structure(unstructure(comes), Comes) == comes


# At the door.


@pytest.mark.parametrize(
    ("data", "field", "problem"),
    [
        ({"kind": "daily"}, "kind", "none of the kinds"),
        ({"kind": "weekly", "weekday": "monday", "begins": "10:00"}, "ends", "missing"),
        ({"kind": "weekly", "weekday": "funday", "begins": "10:00", "ends": "11:00"}, "weekday", "not one of"),
        ({"kind": "weekly", "weekday": "monday", "begins": "24:00", "ends": "11:00"}, "begins", "no local time"),
        ({"kind": "weekly", "weekday": "monday", "begins": "10:00", "ends": "11"}, "ends", "no local time"),
        ({"kind": "weekly", "weekday": "monday", "begins": "10:00", "ends": "10:00"}, "ends", "the same as begins"),
        (
            {"kind": "weekly", "weekday": "monday", "begins": "10:00", "ends": "11:00", "last_date": "2026-02-30"},
            "last_date",
            "no date",
        ),
        ({"kind": "once", "anchor": {}, "minutes": 0}, "minutes", "0 minutes"),
        ({"kind": "once", "anchor": {}, "minutes": 10081}, "minutes", "10081 minutes"),
        ({"kind": "once", "anchor": {}, "minutes": 2.5}, "minutes", "not a whole number"),
        ({"kind": "once", "minutes": 5}, "anchor", "missing"),
    ],
)
def test_what_cannot_be_a_window_is_refused_by_name(data: dict[str, Any], field: str, problem: str) -> None:
    with pytest.raises(InputError, match=problem) as refused:
        structure(data, Comes)
    assert refused.value.field == field
