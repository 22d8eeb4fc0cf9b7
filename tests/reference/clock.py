"""Instants as the published sources give them, in the time scales of the product."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import numpy.typing as npt

from scheduling.sky.arrays import FloatArray
from scheduling.sky.ephemeris import load
from scheduling.sky.timescales import DAY_S, J2000_JD

J2000 = datetime(2000, 1, 1, 12, tzinfo=UTC)


def utc(*parts: int) -> datetime:
    """An instant in UTC."""
    return datetime(*parts, tzinfo=UTC)  # type: ignore[arg-type, misc]


def posix(*parts: int) -> float:
    """POSIX seconds of an instant in UTC."""
    return utc(*parts).timestamp()


def tt_of_jde(jde: npt.ArrayLike) -> FloatArray:
    """Seconds of TT since J2000.0 of a Julian ephemeris day."""
    return (np.asarray(jde, dtype=np.float64) - J2000_JD) * DAY_S


def tt_of(*parts: int) -> FloatArray:
    """Seconds of TT since J2000.0 of a date and time in TT (TD in older books)."""
    return np.array([(utc(*parts) - J2000) / timedelta(seconds=1)])


def tt_of_ut1(instants: list[datetime]) -> FloatArray:
    """Seconds of TT since J2000.0 of dates and times in UT1."""
    ut1 = np.array([(instant - J2000) / timedelta(seconds=1) for instant in instants])
    scales = load().scales
    tt = ut1 + scales.delta_t_from_tt(ut1)
    return ut1 + scales.delta_t_from_tt(tt)


def posix_of_ut1(instants: list[datetime]) -> FloatArray:
    """POSIX seconds of dates and times in UT1."""
    return load().scales.posix_from_tt(tt_of_ut1(instants))


def seconds_from(found: datetime, published: datetime) -> float:
    """By how many seconds what was found is later than what was published."""
    return (found - published) / timedelta(seconds=1)
