"""Natural cycles: a pair of inverse functions between an instant and a count of turns that only grows.

The whole part of the count numbers the turn, the fraction is the phase. The numbers never depend on when or where
they were computed:

==================  ====================================================  ======================================
cycle               phase 0                                               turn 0
==================  ====================================================  ======================================
apparent-solar-day  the Sun over longitude 180 degrees (so that the       in progress at J2000.0, that is, turn
                    longitude under the Sun is 180 - 360 * phase)         n is n days after 2000-01-01
mean-solar-day      UT1 0h, the mean solar midnight at Greenwich          the UT1 day 2000-01-01
sidereal-day        Greenwich apparent sidereal time 0h                   in progress at J2000.0
lunar-day           the Moon over longitude 180 degrees                   in progress at J2000.0
synodic-month       new Moon: equal apparent ecliptic longitudes          begins 2000-01-06 (turn n is the k of
                                                                          Meeus, Astronomical Algorithms, ch. 49)
tropical-year       March equinox: the Sun at apparent longitude 0        begins in March 2000 (n = year - 2000)
temporal-hours      sunrise at the place; sunset is phase 0.5             the day and night of the Sun's transit
                                                                          in the apparent solar day 0 there
period              ``epoch``                                             begins at ``epoch``
==================  ====================================================  ======================================

In between, the phase of a solar or lunar day follows the hour angle at Greenwich, that of the month and the year
the difference of ecliptic longitudes, that of temporal hours the clock in equal parts of day and of night.

Turns are undefined to within a leap second: POSIX seconds cannot name an instant inside one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, partial
from typing import Any, Protocol

import numpy.typing as npt

from machines.errors import InputError
from scheduling.sky.arrays import FloatArray
from scheduling.sky.bodies import ERA_AT_J2000, ERA_RATE, MOON_MEAN, SUN_MEAN, Sky, sky
from scheduling.sky.periods import period
from scheduling.sky.smooth import SmoothCycle
from scheduling.sky.temporalhours import temporal_hours
from scheduling.sky.timescales import DAY_S


class CycleError(InputError):
    """A cycle that does not exist, or options that do not fit it."""


class Cycle(Protocol):
    """What every cycle can do; instants are POSIX seconds, arrays of any shape."""

    @property
    def name(self) -> str:
        """The cycle's name, one of :data:`CYCLE_NAMES`."""

    @property
    def mean_turn_s(self) -> float:
        """The mean length of a turn in seconds."""

    @property
    def sampling_error_s(self) -> float:
        """The published bound of the interpolation error, in seconds of time, against the ephemeris itself."""

    def turns(self, posix: npt.ArrayLike) -> FloatArray:
        """The count of turns at the instants, strictly increasing.

        Raises EphemerisRangeError outside the ephemeris, ValueError for an instant that is not finite.
        """

    def instants(self, turns: npt.ArrayLike) -> FloatArray:
        """The instants of the counts: the inverse of :meth:`turns`."""

    def ut1_error_s(self, posix: npt.ArrayLike) -> FloatArray:
        """The expected error in seconds that comes from predicting the Earth's rotation; zero in the past."""


def get(name: str, **options: Any) -> Cycle:
    """The cycle of that name.

    ``temporal-hours`` takes ``place`` (a Place); ``period`` takes ``seconds`` and ``epoch`` (an aware datetime);
    the others take nothing. Raises :class:`CycleError` for an unknown name or options that do not fit, saying
    what would.
    """
    maker = _MAKERS.get(name)
    if maker is None:
        raise CycleError("cycle", f"{name!r} is no cycle", f"give one of: {', '.join(CYCLE_NAMES)}")
    wanted = _OPTIONS.get(name, ())
    if set(options) != set(wanted):
        given = ", ".join(sorted(options)) or "nothing"
        raise CycleError("options", f"{name} does not go with {given}", f"give {' and '.join(wanted) or 'no options'}")
    return maker(**options)


@dataclass(frozen=True)
class _Recipe:
    """A smooth cycle: how it counts; its mean motion in turns a second and at J2000.0; its sampling error's bound."""

    count: Callable[[Sky, FloatArray], FloatArray]
    mean_rate: float
    mean_at_j2000: float
    sampling_error_s: float
    follows_ut1: bool = True

    def cycle(self, name: str) -> SmoothCycle:
        over = sky()
        return SmoothCycle(
            name=name,
            mean_turn_s=1.0 / self.mean_rate,
            mean_turns_at_j2000=self.mean_at_j2000,
            sampling_error_s=self.sampling_error_s,
            follows_ut1=self.follows_ut1,
            count=partial(self.count, over),
            sky=over,
        )


def _mean_solar_day(over: Sky, tt: FloatArray) -> FloatArray:
    return over.ephemeris.scales.ut1_from_tt(tt) / DAY_S + 0.5


def _apparent_solar_day(over: Sky, tt: FloatArray) -> FloatArray:
    return over.greenwich_hour_angle(over.sun, tt) + 0.5


def _sidereal_day(over: Sky, tt: FloatArray) -> FloatArray:
    return over.sidereal_time(tt)


def _lunar_day(over: Sky, tt: FloatArray) -> FloatArray:
    return over.greenwich_hour_angle(over.moon, tt) + 0.5


def _synodic_month(over: Sky, tt: FloatArray) -> FloatArray:
    return over.moon.longitude(tt) - over.sun.longitude(tt)


def _tropical_year(over: Sky, tt: FloatArray) -> FloatArray:
    return over.sun.longitude(tt) - 1.0


_SUN, _MOON = SUN_MEAN.at_j2000 / 360.0, MOON_MEAN.at_j2000 / 360.0
_MONTH_RATE = MOON_MEAN.rate - SUN_MEAN.rate

_RECIPES = {
    "apparent-solar-day": _Recipe(_apparent_solar_day, 1.0 / DAY_S, ERA_AT_J2000 - _SUN + 0.5, 2e-5),
    "mean-solar-day": _Recipe(_mean_solar_day, 1.0 / DAY_S, 0.5, 1e-5),
    "sidereal-day": _Recipe(_sidereal_day, ERA_RATE, ERA_AT_J2000, 1e-5),
    "lunar-day": _Recipe(_lunar_day, ERA_RATE - MOON_MEAN.rate, ERA_AT_J2000 - _MOON + 0.5, 2e-5),
    "synodic-month": _Recipe(_synodic_month, _MONTH_RATE, _MOON - _SUN, 5e-5, follows_ut1=False),
    "tropical-year": _Recipe(_tropical_year, SUN_MEAN.rate, _SUN - 1.0, 5e-4, follows_ut1=False),
}


@cache
def _smooth(name: str) -> SmoothCycle:
    return _RECIPES[name].cycle(name)


_MAKERS: dict[str, Callable[..., Cycle]] = {
    **{name: partial(_smooth, name) for name in _RECIPES},
    "temporal-hours": temporal_hours,
    "period": period,
}
_OPTIONS = {"temporal-hours": ("place",), "period": ("seconds", "epoch")}
CYCLE_NAMES = tuple(_MAKERS)
