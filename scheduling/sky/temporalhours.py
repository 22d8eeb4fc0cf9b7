"""Temporal hours: day and night, each in equal parts, from sunrise to sunset to sunrise at a place.

The oldest clock there is: an hour is a twelfth of the daylight of this day. Turn n begins with the n-th sunrise,
numbered by the transit of the Sun that follows it: it falls in turn n of the apparent solar day counted on the
meridian of the place, so that turn 0 is the day 2000-01-01 there.
"""

from __future__ import annotations

import threading
from datetime import date
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from machines.errors import InputError
from scheduling.sky.arrays import FloatArray, IntArray, finite_array
from scheduling.sky.bodies import Sky, sky
from scheduling.sky.crossings import horizon_crossings
from scheduling.sky.ephemeris import EphemerisRangeError
from scheduling.sky.places import Place, PlaceError
from scheduling.sky.timescales import DAY_S, datetime_of
from scheduling.sky.topocentric import SUN_UP

_BLOCK_DAYS = 64
_MARGIN_S = DAY_S / 4.0  # sunrise and sunset stay this near to the half of the day that they belong to
_LONGEST_POLAR_DAYS = 200
_FAR_TURNS = 1e7  # beyond any ephemeris, and still a whole number that an array can index


class NoSunriseError(InputError):
    """An instant at which a place has no temporal hour, because the Sun stays up or down.

    ``last_before`` and ``first_after`` are the dates (UTC) of the last sunrise or sunset before it and of the
    first one after it; None where the ephemeris ends first.
    """

    def __init__(self, place: Place, last_before: date | None, first_after: date | None) -> None:
        since, until = last_before or "the start of the ephemeris", first_after or "the end of the ephemeris"
        super().__init__(
            "place",
            f"at {place} the Sun neither rises nor sets between {since} and {until}",
            "temporal hours need a sunrise and a sunset every day: give another cycle, place or date",
        )
        self.place, self.last_before, self.first_after = place, last_before, first_after


def temporal_hours(*, place: Place) -> TemporalHours:
    """The temporal hours at ``place``; those of the 64 places used last are kept. Raises PlaceError for no Place."""
    if not isinstance(place, Place):
        raise PlaceError("place", f"{place!r} is no place", "give a Place")
    return _kept(place)


@lru_cache(maxsize=64)
def _kept(place: Place) -> TemporalHours:
    return TemporalHours(place, sky())


class TemporalHours:
    """The cycle "temporal-hours" of :mod:`cycles`, at one place.

    Sunrises and sunsets are found in blocks of days when first needed, and kept: 1 KB for 64 days, 0.9 MB for
    the whole ephemeris. The sampling error's bound holds where the Sun passes the horizon faster than half a degree
    an hour; nearer to the polar day and night the instant itself is as ill defined as in the sky. Threads may share an
    instance.
    """

    name = "temporal-hours"
    mean_turn_s = DAY_S
    sampling_error_s = 1e-3

    def __init__(self, place: Place, over: Sky) -> None:
        self.place = place
        self._sky = over
        ends = np.array([over.ephemeris.first_tt, over.ephemeris.last_tt])
        first_day, last_day = self._day_of(ends)
        self._first_day, self._days = int(first_day), int(last_day - first_day)
        blocks = self._days // _BLOCK_DAYS + 1
        self._knots = np.zeros(2 * blocks * _BLOCK_DAYS)  # TT of sunrise, sunset, sunrise...; NaN where there is none
        self._built = np.zeros(blocks, dtype=np.bool_)
        self._lock = threading.Lock()

    def turns(self, posix: npt.ArrayLike) -> FloatArray:
        """The count of turns at POSIX instants, strictly increasing.

        Raises :class:`NoSunriseError` in the polar day and night, EphemerisRangeError outside the ephemeris.
        """
        tt = self._sky.ephemeris.scales.tt_from_posix(finite_array("posix", posix))
        self._sky.ephemeris.check_tt(tt)
        # A sunset may fall a little after the midnight that ends its day: look one day back and one ahead.
        around = 2 * self._day_of(tt)[..., None] + np.arange(-2, 4)
        passed = self._knots_at(around) <= tt[..., None]
        latest = np.where(passed, np.arange(6), 0).max(axis=-1)
        half: IntArray = around[..., 0] + latest
        low, high = self._interval(half, tt)
        turns: FloatArray = 0.5 * (half + (tt - low) / (high - low))
        return turns

    def instants(self, turns: npt.ArrayLike) -> FloatArray:
        """The POSIX instants of counts of turns: the inverse of :meth:`turns`, with the same errors."""
        halves = 2.0 * finite_array("turns", turns)
        half = np.floor(np.clip(halves, -_FAR_TURNS, _FAR_TURNS)).astype(np.int64)
        near_tt = (0.5 * half.astype(np.float64) - 0.25 - self.place.longitude_degrees / 360.0) * DAY_S
        low, high = self._interval(half, near_tt)
        return self._sky.ephemeris.scales.posix_from_tt(low + (halves - half) * (high - low))

    def ut1_error_s(self, posix: npt.ArrayLike) -> FloatArray:
        """The expected error in seconds that comes from predicting the Earth's rotation; zero in the past."""
        return self._sky.ephemeris.scales.ut1_error_s(finite_array("posix", posix))

    def _day_of(self, tt: FloatArray) -> IntArray:
        """The number of the apparent solar day on the meridian of the place."""
        turns = self._sky.greenwich_hour_angle(self._sky.sun, tt) + 0.5 + self.place.longitude_degrees / 360.0
        return np.floor(turns).astype(np.int64)

    def _interval(self, half: IntArray, near_tt: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The start and end of half turns; ``near_tt`` tells the error which instant was meant."""
        low, high = self._knots_at(half), self._knots_at(half + 1)
        absent = np.isnan(low) | np.isnan(high)
        if absent.any():
            raise self._no_sunrise(float(near_tt[absent].flat[0]))
        return low, high

    def _knots_at(self, half: IntArray) -> FloatArray:
        index = half - 2 * self._first_day
        if index.size and (index.min() < 0 or index.max() >= 2 * self._days):
            raise EphemerisRangeError(None, *self._sky.ephemeris.span())
        self._build(np.unique(index // (2 * _BLOCK_DAYS)))
        knots: FloatArray = self._knots[index]
        return knots

    def _build(self, blocks: IntArray) -> None:
        if self._built[blocks].all():
            return
        with self._lock:
            for block in blocks[~self._built[blocks]]:
                self._find_knots(int(block))

    def _find_knots(self, block: int) -> None:
        start = block * _BLOCK_DAYS
        midnight = (self._first_day + start - 0.5 - self.place.longitude_degrees / 360.0) * DAY_S
        first = max(midnight - _MARGIN_S, self._sky.ephemeris.first_tt)
        last = min(midnight + _BLOCK_DAYS * DAY_S + _MARGIN_S, self._sky.ephemeris.last_tt)
        at, rises = horizon_crossings(self._sky, self._sky.sun, self.place, SUN_UP, first, last)
        local = self._sky.greenwich_hour_angle(self._sky.sun, at) + 0.5 + self.place.longitude_degrees / 360.0
        day = np.round(local - np.where(rises, 0.25, 0.75)).astype(np.int64) - self._first_day - start
        knots = np.full(2 * _BLOCK_DAYS, np.nan)
        inside = (day >= 0) & (day < _BLOCK_DAYS)
        knots[2 * day[inside] + ~rises[inside]] = at[inside]
        self._knots[2 * start : 2 * (start + _BLOCK_DAYS)] = knots
        self._built[block] = True

    def _no_sunrise(self, tt: float) -> NoSunriseError:
        """The error for an instant: looks for the sunrises and sunsets around it among the days that it needs."""
        middle = int(self._day_of(np.array([tt]))[0])
        first = max(middle - _LONGEST_POLAR_DAYS, self._first_day)
        last = min(middle + _LONGEST_POLAR_DAYS, self._first_day + self._days - 1)
        knots = self._knots_at(np.arange(2 * first, 2 * last + 1))
        posix = self._sky.ephemeris.scales.posix_from_tt(knots[~np.isnan(knots)])
        before, after = posix[knots[~np.isnan(knots)] <= tt], posix[knots[~np.isnan(knots)] > tt]
        return NoSunriseError(
            self.place,
            datetime_of(before[-1]).date() if len(before) else None,
            datetime_of(after[0]).date() if len(after) else None,
        )
