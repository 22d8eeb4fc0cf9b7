"""The quantum of a cadence."""

from dataclasses import replace

import pytest

from machines.model.cadence import quantum
from tests.machines.imaging.test_rulers import PROFILE


def test_a_swath_of_half_an_hour() -> None:
    """A machine of 24 h and 720 mm a turn that lays a 48th of it at a time: 30 minutes, 15 mm, 7.5 degrees."""
    found = quantum(replace(PROFILE, columns_per_burst=150), 86_400.0)
    assert (found.columns, found.mm, found.minutes, found.degrees) == pytest.approx((150, 15.0, 30.0, 7.5))
    assert found.in_words() == "printed 30 minutes (7.5 degrees, 15 mm) at a time"


@pytest.mark.parametrize(("turn_seconds", "words"), [(86_400.0, "12 seconds"), (2_551_443.0, "5.91 minutes")])
def test_a_head_that_crawls(turn_seconds: float, words: str) -> None:
    assert words in quantum(PROFILE, turn_seconds).in_words()


def test_long_bursts_are_told_in_hours() -> None:
    assert "3 hours" in quantum(replace(PROFILE, columns_per_burst=900), 86_400.0).in_words()


def test_bursts_of_a_year_hold_every_column_once() -> None:
    """Where a burst does not divide a turn it runs over the turn's end, and still no column is lost or doubled."""
    profile = replace(PROFILE, columns_per_turn=997, columns_per_burst=150)
    starts = sorted({profile.burst_start(column) for column in range(366 * 997)})
    covered = [column for start in starts for column in range(start, start + 150)]
    assert covered[: 366 * 997] == list(range(366 * 997))
