"""The one loading of the ephemeris: JPL's DE421, skyfield's time scale, the Earth's orientation.

Both files come with the package skyfield-data; nothing is downloaded. :func:`load` opens them on first use.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib import resources
from pathlib import Path

import numpy as np
from skyfield.data.iers import build_timescale_arrays
from skyfield.jpllib import SpiceKernel
from skyfield.nutationlib import iau2000a_radians
from skyfield.timelib import Time, Timescale
from skyfield.vectorlib import VectorFunction

from machines.errors import InputError
from scheduling.sky.arrays import FloatArray
from scheduling.sky.orientation import MJD_OF_POSIX_EPOCH, Orientation, read_finals
from scheduling.sky.timescales import DAY_S, J2000_JD, POSIX_EPOCH_JD, TimeScales, datetime_of

# Light from the Sun that arrives on the first day left before it, and leap seconds shift days against TT.
_MARGIN_DAYS = 2


class EphemerisRangeError(InputError):
    """An instant that the ephemeris does not cover; ``first`` and ``last`` (aware datetimes) bound what it does."""

    def __init__(self, instant: datetime | None, first: datetime, last: datetime) -> None:
        subject = "an instant" if instant is None else instant.date().isoformat()
        # Whole days, so that no date is said to be covered of which an instant is not.
        first_day, last_day = first.date() + timedelta(days=1), last.date() - timedelta(days=1)
        covered = f"{first_day.isoformat()} to {last_day.isoformat()} UTC"
        super().__init__("at", f"{subject} is outside the ephemeris", f"JPL DE421 covers {covered}")
        self.instant, self.first, self.last = instant, first, last


@dataclass(frozen=True)
class Ephemeris:
    """Where the bodies are, and the time scales to ask it in.

    ``first_tt`` and ``last_tt`` bound what can be asked, in seconds of TT since J2000.0.
    """

    earth: VectorFunction
    sun: VectorFunction
    moon: VectorFunction
    timescale: Timescale
    scales: TimeScales
    first_tt: float
    last_tt: float

    def time(self, tt: FloatArray) -> Time:
        """Skyfield's time object for TT seconds since J2000.0 (a number or an array in one dimension)."""
        days = np.floor(tt / DAY_S)
        time = self.timescale.tt_jd(J2000_JD + days, tt / DAY_S - days)
        if np.ndim(tt):
            time._nutation_angles_radians = _nutation(time)
        return time

    def span(self) -> tuple[datetime, datetime]:
        """The first and last instant that can be asked."""
        first, last = self.scales.posix_from_tt(np.array([self.first_tt, self.last_tt]))
        return datetime_of(first), datetime_of(last)

    def check_tt(self, tt: FloatArray) -> None:
        """Raise :class:`EphemerisRangeError` where an instant is not covered."""
        outside = (tt < self.first_tt) | (tt > self.last_tt)
        if outside.any():
            raise EphemerisRangeError(_datetime_if_any(tt[outside].flat[0]), *self.span())


def _nutation(time: Time) -> tuple[FloatArray, FloatArray]:
    """The angles that the time object would find by itself, some instants at a time.

    Its 1374 terms for all instants at once make arrays so large that the system maps and clears them anew each
    time: that takes twice as long as the sines.
    """
    parts = [iau2000a_radians(time[start : start + 32]) for start in range(0, len(time), 32)]
    longitude, obliquity = np.concatenate(parts, axis=1)
    return longitude, obliquity


def _datetime_if_any(tt: float) -> datetime | None:
    """The datetime near ``tt`` for a message, or None beyond what datetimes can say."""
    try:
        return datetime(2000, 1, 1, 12, tzinfo=UTC) + timedelta(seconds=float(tt))
    except OverflowError:
        return None


_lock = threading.Lock()
_loaded: list[Ephemeris] = []


def load() -> Ephemeris:
    """The ephemeris, opened on the first call; safe to call from any thread."""
    with _lock:
        if not _loaded:
            _loaded.append(_open())
        return _loaded[0]


def _open() -> Ephemeris:
    kernel = SpiceKernel(str(data_file("de421.bsp")))
    timescale, orientation = _timescale(data_file("finals2000A.all"))
    first_jd = max(segment.spk_segment.start_jd for segment in kernel.segments) + _MARGIN_DAYS
    last_jd = min(segment.spk_segment.end_jd for segment in kernel.segments) - _MARGIN_DAYS
    return Ephemeris(
        earth=kernel["earth"],
        sun=kernel["sun"],
        moon=kernel["moon"],
        timescale=timescale,
        scales=_scales(timescale, orientation, first_jd, last_jd),
        first_tt=(first_jd - J2000_JD) * DAY_S,
        last_tt=(last_jd - J2000_JD) * DAY_S,
    )


def data_file(name: str) -> Path:
    """Where a file of skyfield's data lies."""
    # Not skyfield_data.get_skyfield_data_path(): that warns by the wall clock, and we state UT1's error instead.
    return Path(str(resources.files("skyfield_data").joinpath("data", name)))


def _timescale(finals: Path) -> tuple[Timescale, Orientation]:
    orientation = read_finals(finals)
    tt_jd, delta_t, leap_dates, leap_offsets = build_timescale_arrays(orientation.mjd, orientation.ut1_minus_utc)
    return Timescale((tt_jd, delta_t), leap_dates, leap_offsets), orientation


def _scales(timescale: Timescale, orientation: Orientation, first_jd: float, last_jd: float) -> TimeScales:
    first_midnight = np.floor(first_jd - 0.5) + 0.5
    midnights = np.arange(first_midnight, last_jd + 2.0)
    offsets = timescale.leap_offsets.astype(np.int64)
    return TimeScales(
        leap_posix=(timescale.leap_dates - POSIX_EPOCH_JD) * DAY_S,
        tai_minus_utc=np.append(offsets[0] - 1, offsets),
        first_tt=(first_midnight - J2000_JD) * DAY_S,
        delta_t=timescale.delta_t_function(midnights),
        measured_until=(orientation.measured_until_mjd - MJD_OF_POSIX_EPOCH) * DAY_S,
    )
