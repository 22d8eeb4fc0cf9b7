from __future__ import annotations

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.errors import InputError
from scheduling.sky.durations import format_duration, parse_duration


@pytest.mark.parametrize(
    ("text", "span"),
    [
        ("PT40M", timedelta(minutes=40)),
        ("-PT40M", timedelta(minutes=-40)),
        ("+PT1H30M", timedelta(hours=1, minutes=30)),
        ("P1DT12H", timedelta(days=1, hours=12)),
        ("P2W", timedelta(weeks=2)),
        ("PT0.5S", timedelta(milliseconds=500)),
        ("-P1DT2H3M4.000005S", -timedelta(days=1, hours=2, minutes=3, seconds=4, microseconds=5)),
        ("PT0S", timedelta(0)),
        ("PT90M", timedelta(minutes=90)),
    ],
)
def test_durations_of_iso_8601(text: str, span: timedelta) -> None:
    assert parse_duration(text) == span


@given(st.timedeltas(timedelta(days=-10_000), timedelta(days=10_000)))
def test_there_and_back(span: timedelta) -> None:
    assert parse_duration(format_duration(span)) == span


@pytest.mark.parametrize(
    ("span", "text"),
    [
        (timedelta(0), "PT0S"),
        (timedelta(minutes=-40), "-PT40M"),
        (timedelta(days=2), "P2D"),
        (timedelta(days=1, seconds=3661, microseconds=250_000), "P1DT1H1M1.25S"),
        (timedelta(microseconds=-1), "-PT0.000001S"),
    ],
)
def test_how_they_are_written(span: timedelta, text: str) -> None:
    assert format_duration(span) == text


@pytest.mark.parametrize(
    "text",
    [
        "",
        "P",
        "PT",
        "-P",
        "40M",
        "PT40",
        "P1Y",
        "P1M",
        "P1DT",
        "PT1M1H",
        "P1W2D",
        "pt40m",
        "PT1.5H",
        "PT-40M",
        "PT٤M",
        None,
        40,
    ],
)
def test_anything_else_is_refused(text: object) -> None:
    with pytest.raises(InputError) as refused:
        parse_duration(text)
    assert "-PT40M" in refused.value.remedy


def test_a_span_beyond_all_calendars_is_refused() -> None:
    with pytest.raises(InputError, match="longer than any date"):
        parse_duration("P9999999999D")
