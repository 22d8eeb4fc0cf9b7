"""Quiet hours by the clock on the wall: over midnight, where clocks change, and on single dates."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from machines.errors import InputError
from machines.serialization import structure
from scheduling.planning.days_spans import DAYS
from scheduling.planning.quiet_hours import QuietDate, QuietHours, QuietSpan, QuietWeek, quiet_spans
from scheduling.sky.zones import zone

LISBON = zone("Europe/Lisbon")


def utc(*when: int) -> datetime:
    return datetime(*when, tzinfo=UTC)


def nightly(begins: str, ends: str, *dates: QuietDate) -> QuietHours:
    return QuietHours(week=QuietWeek(**dict.fromkeys(DAYS, (QuietSpan(begins=begins, ends=ends),))), dates=dates)


def test_a_night_goes_over_midnight_and_is_cut_to_what_was_asked() -> None:
    found = quiet_spans(nightly("22:00", "07:00"), zone("UTC"), utc(2026, 7, 1), utc(2026, 7, 2))
    assert found == ((utc(2026, 7, 1), utc(2026, 7, 1, 7)), (utc(2026, 7, 1, 22), utc(2026, 7, 2)))


def test_the_doubtful_hour_is_quiet_where_clocks_change() -> None:
    """Lisbon's clocks go back at 01:00 UTC of 25 October 2026: 01:30 is shown at 00:30 and at 01:30 UTC."""
    autumn = quiet_spans(nightly("22:00", "01:30"), LISBON, utc(2026, 10, 24, 12), utc(2026, 10, 25, 12))
    assert autumn == ((utc(2026, 10, 24, 21), utc(2026, 10, 25, 1, 30)),)
    spring = quiet_spans(nightly("01:30", "07:00"), LISBON, utc(2026, 3, 29), utc(2026, 3, 29, 12))
    assert spring == ((utc(2026, 3, 29, 0, 30), utc(2026, 3, 29, 6)),)


def test_one_night_is_an_hour_longer_and_another_shorter() -> None:
    hours = nightly("22:00", "07:00")
    (autumn,) = quiet_spans(hours, LISBON, utc(2026, 10, 24, 12), utc(2026, 10, 25, 12))
    (spring,) = quiet_spans(hours, LISBON, utc(2026, 3, 28, 12), utc(2026, 3, 29, 12))
    assert [(ends - begins).total_seconds() / 3600 for begins, ends in (autumn, spring)] == [10.0, 8.0]


def test_a_single_date_stands_in_place_of_its_weekday() -> None:
    fest = QuietDate(date="2026-07-01")
    found = quiet_spans(nightly("22:00", "07:00", fest), zone("UTC"), utc(2026, 7, 1, 12), utc(2026, 7, 2, 23))
    assert found == ((utc(2026, 7, 2, 22), utc(2026, 7, 2, 23)),)


def test_all_day_every_day_is_one_span_and_nothing_is_none() -> None:
    assert quiet_spans(nightly("00:00", "24:00"), LISBON, utc(2026, 3, 1), utc(2026, 4, 1)) == (
        (utc(2026, 3, 1), utc(2026, 4, 1)),
    )
    assert quiet_spans(QuietHours(), LISBON, utc(2026, 3, 1), utc(2026, 4, 1)) == ()


def test_spans_that_overlap_are_refused_by_name() -> None:
    night, early = {"begins": "22:00", "ends": "07:00"}, {"begins": "06:00", "ends": "08:00"}
    data = {"week": {"sunday": [night], "monday": [early]}}
    with pytest.raises(InputError) as raised:
        structure(data, QuietHours)
    assert raised.value.field == "week.monday[0]"
    assert "begins before sunday[0] ends" in raised.value.said
