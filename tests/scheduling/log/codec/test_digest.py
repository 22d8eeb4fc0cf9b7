"""Instants in the log's form, made quickly; what the digest is over is tested where the log is verified."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.serialization import format_instant
from scheduling.log.codec.digest import instant_text

ZONES = st.just(UTC) | st.integers(-1439, 1439).map(lambda minutes: timezone(timedelta(minutes=minutes)))
# Every year that is one in every zone.
INSTANTS = st.datetimes(datetime(1, 1, 2), datetime(9999, 12, 30), timezones=ZONES)  # noqa: DTZ001 - it wants naive bounds


@given(INSTANTS | INSTANTS.map(lambda instant: instant.replace(microsecond=0)))
def test_an_instant_has_one_text(instant: datetime) -> None:
    assert instant_text(instant) == format_instant(instant)


@pytest.mark.parametrize("microsecond", [0, 1])
def test_a_naive_one_has_none(microsecond: int) -> None:
    with pytest.raises(ValueError, match="naive"):
        instant_text(datetime(2026, 3, 28, microsecond=microsecond))  # noqa: DTZ001 - that is the point
