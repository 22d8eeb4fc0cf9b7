from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduling.sky.ephemeris import load
from scheduling.sky.timescales import DAY_S, J2000_POSIX, TimeScales, datetime_of, posix_of

# The last leap second: 2016-12-31 23:59:60.
LEAP = datetime(2017, 1, 1, tzinfo=UTC).timestamp()
FIRST, LAST = -2.2e9, 2.6e9


@pytest.fixture(scope="module")
def scales() -> TimeScales:
    return load().scales


def test_j2000_in_utc(scales: TimeScales) -> None:
    """2000-01-01 12:00 TT is 11:58:55.816 UTC: TAI - UTC was 32 s then (IERS Bulletin C)."""
    assert scales.posix_from_tt(0.0) == pytest.approx(J2000_POSIX - 64.184, abs=1e-6)


@pytest.mark.parametrize(
    ("instant", "tai_minus_utc"),
    # ERFA's t_dat (liberfa/erfa@1d9738be, t_erfa_c.c) and the IERS list of leap seconds.
    [
        (datetime(2003, 6, 1, tzinfo=UTC), 32),
        (datetime(2008, 1, 17, tzinfo=UTC), 33),
        (datetime(2017, 9, 1, tzinfo=UTC), 37),
        (datetime(2017, 1, 1, tzinfo=UTC), 37),
        (datetime(2016, 12, 31, 23, 59, 59, tzinfo=UTC), 36),
    ],
)
def test_leap_seconds(scales: TimeScales, instant: datetime, tai_minus_utc: int) -> None:
    tt = scales.tt_from_posix(instant.timestamp())
    assert tt - (instant.timestamp() - J2000_POSIX) - 32.184 == pytest.approx(tai_minus_utc, abs=1e-6)


@given(st.floats(FIRST, LAST))
def test_tt_there_and_back(posix: float) -> None:
    scales = load().scales
    assert scales.posix_from_tt(scales.tt_from_posix(posix)) == pytest.approx(posix, abs=1e-6)


@given(st.lists(st.floats(FIRST, LAST), min_size=2, max_size=50))
def test_tt_never_runs_back(instants: list[float]) -> None:
    posix = np.sort(instants)
    assert (np.diff(load().scales.tt_from_posix(posix)) >= 0.0).all()


def test_a_leap_second_is_the_midnight_that_ends_it(scales: TimeScales) -> None:
    before = float(scales.tt_from_posix(LEAP - 1.0))
    seconds = np.array([0.0, 0.5, 1.0, 1.25, 1.75, 2.0, 2.5])
    expected = np.array([-1.0, -0.5, 0.0, 0.0, 0.0, 0.0, 0.5])
    assert scales.posix_from_tt(before + seconds) - LEAP == pytest.approx(expected, abs=1e-6)


def test_two_seconds_pass_while_posix_counts_one(scales: TimeScales) -> None:
    before, after = scales.tt_from_posix(np.array([LEAP - 1.0, LEAP]))
    assert after - before == pytest.approx(2.0, abs=1e-6)


def test_ut1_stays_within_a_second_of_utc_where_it_is_measured(scales: TimeScales) -> None:
    """What leap seconds are for (ITU-R TF.460)."""
    posix = np.arange(datetime(1973, 1, 2, tzinfo=UTC).timestamp(), scales.measured_until, 10 * DAY_S)
    assert np.abs(scales.ut1_from_tt(scales.tt_from_posix(posix)) - (posix - J2000_POSIX)).max() < 0.9


def test_delta_t_is_interpolated_between_midnights() -> None:
    scales = TimeScales(np.array([0.0]), np.array([10, 11]), 0.0, np.array([60.0, 61.0, 63.0]), 0.0)
    tt = np.array([0.0, 0.5, 1.0, 1.5, 2.0]) * DAY_S
    assert scales.delta_t_from_tt(tt) == pytest.approx([60.0, 60.5, 61.0, 62.0, 63.0])


def test_ut1_error_is_nothing_in_the_past_and_grows_from_then_on(scales: TimeScales) -> None:
    years = np.array([-30.0, -1.0, 0.0, 1.0, 2.0, 10.0])
    error = scales.ut1_error_s(scales.measured_until + years * 365.25 * DAY_S)
    assert (error[:3] == 0.0).all()
    assert error[3] == pytest.approx(0.09)
    assert (np.diff(error[2:]) > 0.0).all()


def test_shapes_are_kept(scales: TimeScales) -> None:
    for shape in ((), (3,), (2, 3)):
        posix = np.full(shape, 1.7e9)
        tt = scales.tt_from_posix(posix)
        assert np.shape(tt) == np.shape(scales.posix_from_tt(tt)) == np.shape(scales.ut1_from_tt(tt)) == shape


def test_posix_of_an_aware_datetime_whatever_its_zone() -> None:
    instant = datetime(2026, 6, 21, 12, tzinfo=timezone(timedelta(hours=5.75)))
    assert posix_of(instant) == datetime(2026, 6, 21, 6, 15, tzinfo=UTC).timestamp()


def test_a_naive_datetime_is_no_instant() -> None:
    with pytest.raises(ValueError, match="no time zone"):
        posix_of(datetime.fromisoformat("2026-06-21T12:00:00"))


@given(st.datetimes(datetime(1900, 1, 1), datetime(2053, 1, 1), timezones=st.just(UTC)))  # noqa: DTZ001
def test_datetimes_there_and_back(instant: datetime) -> None:
    assert datetime_of(posix_of(instant)) == instant


@pytest.mark.parametrize(("days", "seconds"), [(10, 0.0014), (20, 0.0024), (30, 0.0032), (40, 0.0041)])
def test_ut1_error_of_the_first_weeks_is_what_bulletin_a_states(scales: TimeScales, days: int, seconds: float) -> None:
    """By the formula that stands in every issue, 0.00025 s times the days to the power 0.75."""
    assert scales.ut1_error_s(scales.measured_until + days * DAY_S) == pytest.approx(seconds, abs=5e-5)
