"""POSIX seconds, Terrestrial Time and UT1, in arrays.

``posix``: seconds since 1970-01-01 00:00 UTC in which every day has 86400 seconds. POSIX cannot name a leap
second: the second 23:59:60 maps to the midnight after it. Before 1972, when UTC had no whole leap seconds, it is
taken as TAI - 10 s, as skyfield does.

``tt``: seconds of Terrestrial Time since J2000.0 = 2000-01-01 12:00 TT (JD 2451545.0 TT). Uniform.

``ut1``: seconds of UT1 since 2000-01-01 12:00 UT1. The turning Earth; measured, and predicted beyond the last
measurement.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import numpy.typing as npt

from scheduling.sky.arrays import FloatArray, IntArray

DAY_S = 86_400.0
YEAR_S = 365.25 * DAY_S

J2000_POSIX = 946_728_000.0  # 2000-01-01 12:00 UTC
TT_MINUS_TAI_S = 32.184
J2000_JD = 2_451_545.0
POSIX_EPOCH_JD = 2_440_587.5


def posix_of(instant: datetime) -> float:
    """POSIX seconds of an aware datetime; raises ValueError for a naive one."""
    if instant.tzinfo is None:
        raise ValueError(f"{instant.isoformat()} has no time zone; instants must be aware datetimes")
    return instant.timestamp()


def datetime_of(posix: float) -> datetime:
    """The aware UTC datetime of POSIX seconds, to the nearest microsecond."""
    return datetime.fromtimestamp(float(posix), tz=UTC)


@dataclass(frozen=True)
class TimeScales:
    """The conversions between the time scales, from tables of leap seconds and of delta T.

    ``leap_posix``: the midnights (POSIX) from which ``tai_minus_utc`` (one longer, in seconds) holds.
    ``delta_t``: TT - UT1 in seconds at each midnight TT from ``first_tt``, interpolated linearly between.
    ``measured_until``: POSIX instant of the last measured UT1; beyond it UT1 is a prediction.
    """

    leap_posix: FloatArray
    tai_minus_utc: IntArray
    first_tt: float
    delta_t: FloatArray
    measured_until: float

    def tt_from_posix(self, posix: npt.ArrayLike) -> FloatArray:
        """TT of POSIX seconds; jumps by a second where a leap second was inserted."""
        posix = np.asarray(posix, dtype=np.float64)
        leaps: IntArray = self.tai_minus_utc[np.searchsorted(self.leap_posix, posix, side="right")]
        return (posix - J2000_POSIX) + (leaps + TT_MINUS_TAI_S)

    def posix_from_tt(self, tt: npt.ArrayLike) -> FloatArray:
        """POSIX seconds of TT; all of a leap second maps to the midnight that ends it."""
        tai_posix = np.asarray(tt, dtype=np.float64) + (J2000_POSIX - TT_MINUS_TAI_S)
        leap = np.searchsorted(self.leap_posix + self.tai_minus_utc[:-1], tai_posix, side="right")
        floor = np.append(-np.inf, self.leap_posix)[leap]
        posix: FloatArray = np.maximum(tai_posix - self.tai_minus_utc[leap], floor)
        return posix

    def delta_t_from_tt(self, tt: FloatArray) -> FloatArray:
        """Delta T = TT - UT1 in seconds. The caller keeps ``tt`` inside the table."""
        days = (tt - self.first_tt) / DAY_S
        index = np.clip(days.astype(np.int64), 0, len(self.delta_t) - 2)
        before = self.delta_t[index]
        return before + (self.delta_t[index + 1] - before) * (days - index)

    def ut1_from_tt(self, tt: FloatArray) -> FloatArray:
        """UT1 of TT."""
        return tt - self.delta_t_from_tt(tt)

    def ut1_error_s(self, posix: npt.ArrayLike) -> FloatArray:
        """The expected (one sigma) error of UT1 in seconds at POSIX instants: zero where it was measured.

        Beyond the last measurement the larger of two. In the first weeks what the IERS states of its own predictions:
        0.00025 s times the lead in days to the power 0.75 (Bulletin A, in every issue; it is stated for 40 days, and
        passed by the other after about as many). From then on 0.09 s times the lead in years to the power 1.4. That is
        measured, not assumed: the root mean square over hindcasts that stop the table at one day out of sixty since
        1981 and let the same extrapolation run on against the UT1 that was then observed (IERS finals2000A). It gave
        0.09 s after one year, 0.23 after two, 0.95 after five, 2.4 after ten, 5.7 after twenty; the largest of all
        errors stayed within three times that. Tested in tests/reference.
        """
        lead_s = np.maximum(np.asarray(posix, dtype=np.float64) - self.measured_until, 0.0)
        return np.maximum(0.00025 * (lead_s / DAY_S) ** 0.75, 0.09 * (lead_s / YEAR_S) ** 1.4)
