"""Hours by the clocks of a zone, and the instants at which a venue is closed.

The changes of clocks are those of the IANA time zone database (`tests/reference/test_zones.py` checks them against its
rules): Europe/Lisbon by rule EU, on the last Sundays of March and October at 01:00 UTC; America/St_Johns by rule
Canada, second Sunday of March and first Sunday of November at 02:00 local; Pacific/Chatham by rule Chatham, the last
Sunday of September and the first of April at 02:45 standard time; Pacific/Apia had no 30 December 2011.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.errors import InputError
from machines.serialization import structure, unstructure
from scheduling.planning.days_spans import DAYS
from scheduling.planning.opening_hours import DateHours, Hours, OpenSpan, Week, closed_spans, open_spans
from scheduling.sky.zones import zone

LISBON, ST_JOHNS, CHATHAM = zone("Europe/Lisbon"), zone("America/St_Johns"), zone("Pacific/Chatham")
ZONES = st.sampled_from(
    ["Europe/Lisbon", "America/St_Johns", "Pacific/Chatham", "Australia/Lord_Howe", "America/Santiago", "UTC"]
)


def span(opens: str, closes: str) -> OpenSpan:
    return OpenSpan(opens=opens, closes=closes)


def daily(*spans: OpenSpan) -> Hours:
    return Hours(week=Week(**dict.fromkeys(DAYS, spans)))


def utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)  # type: ignore[arg-type, misc]


def read(**data: Any) -> Hours:
    return structure(data, Hours)


# What instants they are.


def test_a_plain_day() -> None:
    found = open_spans(daily(span("10:00", "18:30")), LISBON, utc(2026, 7, 1), utc(2026, 7, 2))
    assert found == ((utc(2026, 7, 1, 9), utc(2026, 7, 1, 17, 30)),)


def test_closed_is_what_open_leaves() -> None:
    hours = daily(span("10:00", "13:00"), span("14:00", "18:00"))
    assert closed_spans(hours, zone("UTC"), utc(2026, 7, 1, 11), utc(2026, 7, 2, 10)) == (
        (utc(2026, 7, 1, 13), utc(2026, 7, 1, 14)),
        (utc(2026, 7, 1, 18), utc(2026, 7, 2, 10)),
    )


@pytest.mark.parametrize(
    ("name", "opens", "closes"),
    [
        # 25 October 2026: from 01:00 UTC Lisbon is on UTC; on the eve it opens at 09:00 UTC.
        ("Europe/Lisbon", [(24, 9), (25, 10), (26, 10)], [(24, 17), (25, 18), (26, 18)]),
        # No change there until 1 November: -2:30.
        ("America/St_Johns", [(24, 12, 30), (25, 12, 30), (26, 12, 30)], [(24, 20, 30), (25, 20, 30), (26, 20, 30)]),
    ],
)
def test_across_the_change_of_25_october_2026(
    name: str, opens: list[tuple[int, ...]], closes: list[tuple[int, ...]]
) -> None:
    found = open_spans(daily(span("10:00", "18:00")), zone(name), utc(2026, 10, 24), utc(2026, 10, 27))
    assert found == tuple(
        (utc(2026, 10, *one), utc(2026, 10, *other)) for one, other in zip(opens, closes, strict=True)
    )


def test_st_johns_on_1_november_2026() -> None:
    """From 04:30 UTC it is on -3:30 instead of -2:30."""
    found = open_spans(daily(span("10:00", "18:00")), ST_JOHNS, utc(2026, 10, 31, 9), utc(2026, 11, 2, 3))
    assert found == (
        (utc(2026, 10, 31, 12, 30), utc(2026, 10, 31, 20, 30)),
        (utc(2026, 11, 1, 13, 30), utc(2026, 11, 1, 21, 30)),
    )


def test_chatham_in_its_spring() -> None:
    """27 September 2026, 02:45 local: from +12:45 to +13:45, at 14:00 UTC of the day before."""
    found = open_spans(daily(span("10:00", "18:00")), CHATHAM, utc(2026, 9, 25, 12), utc(2026, 9, 27, 12))
    assert found == (
        (utc(2026, 9, 25, 21, 15), utc(2026, 9, 26, 5, 15)),
        (utc(2026, 9, 26, 20, 15), utc(2026, 9, 27, 4, 15)),
    )


def test_a_night_that_the_clocks_make_longer_or_shorter() -> None:
    """Open from 22:00 to 06:00, that is 8 hours by the clock: 9 in the October night of Lisbon and 7 in March's."""
    for day, length_h in ((utc(2026, 10, 24, 12), 9), (utc(2026, 3, 28, 12), 7), (utc(2026, 7, 1, 12), 8)):
        ((opens, closes),) = open_spans(daily(span("22:00", "06:00")), LISBON, day, day + timedelta(days=1))
        assert closes - opens == timedelta(hours=length_h)


# Times that a clock shows twice, or never.


def test_opening_at_a_time_shown_twice_is_at_the_first_and_closing_at_the_second() -> None:
    """On 25 October 2026 Lisbon's clocks show 01:30 at 00:30 UTC and again at 01:30 UTC."""
    start, end = utc(2026, 10, 25), utc(2026, 10, 25, 12)
    assert open_spans(daily(span("01:30", "05:00")), LISBON, start, end) == (
        (utc(2026, 10, 25, 0, 30), utc(2026, 10, 25, 5)),
    )
    late = Hours(week=Week(saturday=(span("20:00", "01:30"),)))
    assert open_spans(late, LISBON, start, end) == ((start, utc(2026, 10, 25, 1, 30)),)


def test_a_time_that_does_not_exist_opens_earlier_and_closes_later() -> None:
    """On 29 March 2026 Lisbon's clocks go from 01:00 to 02:00, at 01:00 UTC: 01:30 may mean 00:30 or 01:30 UTC."""
    start, end = utc(2026, 3, 29), utc(2026, 3, 29, 12)
    assert open_spans(daily(span("01:30", "05:00")), LISBON, start, end) == (
        (utc(2026, 3, 29, 0, 30), utc(2026, 3, 29, 4)),
    )
    late = Hours(week=Week(saturday=(span("20:00", "01:30"),)))
    assert open_spans(late, LISBON, start, end) == ((start, utc(2026, 3, 29, 1, 30)),)


def test_the_hour_that_is_shown_twice_is_open_at_both_ends_only_where_it_is_meant() -> None:
    """Open until 01:00, which comes once, at midnight UTC, before the hour that comes twice."""
    late = Hours(week=Week(saturday=(span("20:00", "00:59"),)))
    closed = closed_spans(late, LISBON, utc(2026, 10, 24, 20), utc(2026, 10, 25, 4))
    assert closed == ((utc(2026, 10, 24, 23, 59), utc(2026, 10, 25, 4)),)


def test_a_date_that_was_skipped_has_no_hours() -> None:
    apia = zone("Pacific/Apia")
    found = open_spans(daily(span("10:00", "18:00")), apia, utc(2011, 12, 29, 12), utc(2011, 12, 31, 10))
    assert found == (
        (utc(2011, 12, 29, 20), utc(2011, 12, 30, 4)),  # 29 December at -10
        (utc(2011, 12, 30, 20), utc(2011, 12, 31, 4)),  # 31 December at +14
    )


def test_midnight_that_does_not_exist() -> None:
    """Santiago, 6 September 2026: 00:00 to 01:00 is skipped, at 04:00 UTC; open the whole day is open throughout."""
    start, end = utc(2026, 9, 4), utc(2026, 9, 8)
    assert closed_spans(daily(span("00:00", "24:00")), zone("America/Santiago"), start, end) == ()


# The week and single dates.


def test_each_day_has_its_own() -> None:
    week = Week(monday=(span("09:00", "12:00"),), sunday=(span("13:00", "15:00"),))
    found = open_spans(Hours(week=week), zone("UTC"), utc(2026, 7, 5), utc(2026, 7, 12))
    assert found == ((utc(2026, 7, 5, 13), utc(2026, 7, 5, 15)), (utc(2026, 7, 6, 9), utc(2026, 7, 6, 12)))
    assert date(2026, 7, 5).weekday() == 6


def test_a_week_without_hours_is_closed_throughout() -> None:
    assert closed_spans(Hours(week=Week()), LISBON, utc(2026, 7, 1), utc(2026, 8, 1)) == (
        (utc(2026, 7, 1), utc(2026, 8, 1)),
    )


def test_a_single_date_stands_in_place_of_its_weekday() -> None:
    hours = Hours(
        week=daily(span("10:00", "18:00")).week,
        dates=(DateHours(date="2026-07-02"), DateHours(date="2026-07-03", open=(span("20:00", "02:00"),))),
    )
    found = open_spans(hours, zone("UTC"), utc(2026, 7, 1), utc(2026, 7, 5))
    assert found == (
        (utc(2026, 7, 1, 10), utc(2026, 7, 1, 18)),
        (utc(2026, 7, 3, 20), utc(2026, 7, 4, 2)),
        (utc(2026, 7, 4, 10), utc(2026, 7, 4, 18)),
    )


def test_the_night_before_a_closed_date_still_ends_after_midnight() -> None:
    hours = Hours(week=daily(span("20:00", "02:00")).week, dates=(DateHours(date="2026-07-02"),))
    found = open_spans(hours, zone("UTC"), utc(2026, 7, 1, 12), utc(2026, 7, 3, 12))
    assert found == ((utc(2026, 7, 1, 20), utc(2026, 7, 2, 2)),)


def test_spans_that_touch_are_one() -> None:
    week = Week(monday=(span("20:00", "24:00"),), tuesday=(span("00:00", "08:00"),))
    found = open_spans(Hours(week=week), zone("UTC"), utc(2026, 7, 6), utc(2026, 7, 8))
    assert found == ((utc(2026, 7, 6, 20), utc(2026, 7, 7, 8)),)


# Whatever the hours.

MINUTES = st.integers(0, 24 * 60 - 1)


@st.composite
def _day(draw: st.DrawFn) -> tuple[OpenSpan, ...]:
    """Spans that do not overlap, of which the last may end on the next day before anything there begins."""
    edges = sorted(draw(st.lists(st.integers(6 * 60, 24 * 60 - 1), min_size=2, max_size=6, unique=True)))
    texts = [f"{one // 60:02}:{one % 60:02}" for one in edges[: len(edges) // 2 * 2]]
    spans = [span(first, last) for first, last in list(pairwise(texts))[::2]]
    night = draw(st.none() | st.integers(0, 5 * 60))
    if night is not None and spans:
        spans[-1] = span(spans[-1].opens, f"{night // 60:02}:{night % 60:02}")
    return tuple(spans)


HOURS = st.lists(_day(), min_size=7, max_size=7).map(
    lambda days: Hours(week=Week(**dict(zip(DAYS, days, strict=True))))
)


@given(hours=HOURS, name=ZONES, first=st.integers(0, 366 * 24), length_h=st.integers(1, 24 * 20))
def test_open_and_closed_share_out_the_span_asked_for(hours: Hours, name: str, first: int, length_h: int) -> None:
    start = utc(2026, 1, 1) + timedelta(hours=first)
    end = start + timedelta(hours=length_h)
    both = sorted((*open_spans(hours, zone(name), start, end), *closed_spans(hours, zone(name), start, end)))
    edges = [edge for one in both for edge in one]
    assert edges[0] == start
    assert edges[-1] == end
    assert edges[1:-1:2] == edges[2::2]
    assert all(opens < closes for opens, closes in both)


@given(hours=HOURS, name=ZONES, minute=st.integers(0, 366 * 24 * 60))
def test_an_instant_is_open_where_the_clock_there_shows_a_time_within_the_hours(
    hours: Hours, name: str, minute: int
) -> None:
    """Away from changes of clocks, told minute by minute and not by instants."""
    at = utc(2026, 1, 1) + timedelta(minutes=minute)
    day = timedelta(days=1)
    offsets = {(at + step).astimezone(zone(name)).utcoffset() for step in (-2 * day, -day, 0 * day, day)}
    if len(offsets) > 1:
        return
    local = at.astimezone(zone(name))
    now = local.hour * 60 + local.minute
    spans = [one.minutes for one in hours.on(local.date())]
    spans += [
        (opens - 24 * 60, closes - 24 * 60) for opens, closes in (s.minutes for s in hours.on(local.date() - day))
    ]
    expected = any(opens <= now < closes for opens, closes in spans)
    assert bool(open_spans(hours, zone(name), at, at + timedelta(seconds=1))) == expected


@given(hours=HOURS)
def test_hours_survive_their_own_json(hours: Hours) -> None:
    assert structure(unstructure(hours), Hours) == hours


# At the door.

DAY = [{"opens": "10:00", "closes": "18:00"}]


@pytest.mark.parametrize(
    ("data", "field", "problem"),
    [
        ({"week": {"funday": DAY}}, "week.funday", "no such field"),
        ({}, "week", "missing"),
        ({"week": {"monday": [{"opens": "10:00"}]}}, "week.monday[0].closes", "missing"),
        ({"week": {"monday": [{"opens": "10", "closes": "18:00"}]}}, "week.monday[0].opens", "no local time"),
        ({"week": {"monday": [{"opens": "24:00", "closes": "18:00"}]}}, "week.monday[0].opens", "no local time"),
        ({"week": {"monday": [{"opens": "10:00", "closes": "18:60"}]}}, "week.monday[0].closes", "no local time"),
        ({"week": {"monday": [{"opens": "10:00", "closes": "10:00"}]}}, "week.monday[0].closes", "the same as opens"),
        ({"week": {"monday": [*DAY, {"opens": "17:59", "closes": "20:00"}]}}, "week.monday[1]", "begins before monday"),
        (
            {"week": {"monday": [{"opens": "20:00", "closes": "10:01"}], "tuesday": DAY}},
            "week.tuesday[0]",
            r"begins before monday\[0\] ends",
        ),
        (
            {"week": {"sunday": [{"opens": "20:00", "closes": "10:01"}], "monday": DAY}},
            "week.monday[0]",
            r"begins before sunday\[0\] ends",
        ),
        ({"week": {"monday": [*DAY] * 13}}, "week.monday", "13 spans"),
        ({"week": {}, "dates": [{"date": "2026-02-30", "open": []}]}, "dates[0].date", "no date"),
        ({"week": {}, "dates": [{"date": "2026-W10-1", "open": []}]}, "dates[0].date", "no date"),
        ({"week": {}, "dates": [{"date": "2026-02-20", "open": [*DAY, *DAY]}]}, "dates[0].open[1]", "begins before"),
        ({"week": {}, "dates": [{"date": "2026-02-20"}] * 2}, "dates[1].date", "stands twice"),
    ],
)
def test_what_cannot_be_hours_is_refused_by_name(data: dict[str, Any], field: str, problem: str) -> None:
    with pytest.raises(InputError, match=problem) as refused:
        read(**data)
    assert refused.value.field == field


def test_too_many_dates_are_refused() -> None:
    days = [{"date": (date(2026, 1, 1) + timedelta(days=n)).isoformat()} for n in range(401)]
    with pytest.raises(InputError, match="401 dates"):
        read(week={}, dates=days)


def test_the_whole_day_every_day_is_no_overlap() -> None:
    assert read(week={day: [{"opens": "00:00", "closes": "24:00"}] for day in DAYS})
