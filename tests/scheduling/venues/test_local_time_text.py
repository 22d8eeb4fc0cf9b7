"""Local times in words, in the nights in which clocks change."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from scheduling.sky.zones import zone
from scheduling.venues.local_time_text import span_in_words


@pytest.mark.parametrize(
    ("begins", "zone_name", "in_words"),
    [
        # Chatham's clocks go back at 3:45, an hour, on the first Sunday of April, and their zone has no abbreviation.
        ("2026-04-04T13:00", "Pacific/Chatham", "between 02:45 UTC+13:45 and 03:15 UTC+13:45 on the 5th"),
        ("2026-04-04T14:00", "Pacific/Chatham", "between 02:45 UTC+12:45 and 03:15 UTC+12:45 on the 5th"),
        ("2026-04-04T15:00", "Pacific/Chatham", "between 03:45 and 04:15 on the 5th"),
        # Lord Howe's go back by half an hour, at 2:00.
        ("2026-04-04T14:45", "Australia/Lord_Howe", "between 01:45 UTC+11:00 and 01:45 UTC+10:30 on the 5th, between"),
    ],
)
def test_a_time_that_comes_twice_is_told_with_what_the_clock_is_called(
    begins: str, zone_name: str, in_words: str
) -> None:
    at = datetime.fromisoformat(begins).replace(tzinfo=UTC)
    told = span_in_words(at, at + timedelta(minutes=30), zone(zone_name), lambda local: f"the {local.day}th")
    assert told.startswith(in_words)
