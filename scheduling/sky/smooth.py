"""A cycle whose count of turns is a smooth function of Terrestrial Time, and its inverse."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from scheduling.sky.arrays import FloatArray, finite_array
from scheduling.sky.bodies import Sky
from scheduling.sky.ephemeris import EphemerisRangeError

_MOST_STEPS = 20
# A secant step this small leaves an error of a higher order than itself: far below a microsecond.
_SMALL_STEP_S = 1e-3


@dataclass(frozen=True)
class SmoothCycle:
    """One of the cycles that :mod:`cycles` describes.

    ``count`` takes TT seconds and gives turns. ``follows_ut1`` says whether it depends on how far the Earth has
    turned, and so on the prediction of UT1. ``mean_turns_at_j2000`` and ``mean_turn_s`` give the first guess of the
    inverse.
    """

    name: str
    mean_turn_s: float
    sampling_error_s: float
    follows_ut1: bool
    mean_turns_at_j2000: float
    count: Callable[[FloatArray], FloatArray]
    sky: Sky

    def turns(self, posix: npt.ArrayLike) -> FloatArray:
        """The count of turns at POSIX instants, strictly increasing.

        Raises EphemerisRangeError outside the ephemeris, ValueError for an instant that is not finite.
        """
        tt = self.sky.ephemeris.scales.tt_from_posix(finite_array("posix", posix))
        self.sky.ephemeris.check_tt(tt)
        return self.count(tt)

    def instants(self, turns: npt.ArrayLike) -> FloatArray:
        """The POSIX instants of counts of turns: the inverse of :meth:`turns`, with the same errors."""
        wanted = finite_array("turns", turns)
        tt = self._solve(wanted)
        at_end = (tt <= self.sky.ephemeris.first_tt) | (tt >= self.sky.ephemeris.last_tt)
        beyond_s = np.abs(wanted[at_end] - self.count(tt[at_end])) * self.mean_turn_s
        if (beyond_s > _SMALL_STEP_S).any():
            raise EphemerisRangeError(None, *self.sky.ephemeris.span())
        return self.sky.ephemeris.scales.posix_from_tt(tt)

    def ut1_error_s(self, posix: npt.ArrayLike) -> FloatArray:
        """The expected error in seconds that comes from predicting the Earth's rotation; zero in the past."""
        posix = finite_array("posix", posix)
        if not self.follows_ut1:
            return np.zeros(posix.shape)
        return self.sky.ephemeris.scales.ut1_error_s(posix)

    def _solve(self, wanted: FloatArray) -> FloatArray:
        """TT at which ``count`` is ``wanted``, or the end of the ephemeris: secant steps, which need no rate."""
        first, last = self.sky.ephemeris.first_tt, self.sky.ephemeris.last_tt
        seconds_per_turn: float | FloatArray = self.mean_turn_s
        tt = np.clip((wanted - self.mean_turns_at_j2000) * self.mean_turn_s, first, last)
        missing = wanted - self.count(tt)
        far = np.ones(wanted.shape, dtype=np.bool_)
        for _ in range(_MOST_STEPS):
            # Each instant stops by itself: what is found for it never depends on what else was asked.
            step = np.where(far, np.clip(tt + missing * seconds_per_turn, first, last) - tt, 0.0)
            tt = tt + step
            far = np.abs(step) > _SMALL_STEP_S
            if not far.any():
                return tt
            still_missing = wanted - self.count(tt)
            seconds_per_turn = np.divide(step, missing - still_missing, out=np.zeros(step.shape), where=far)
            missing = still_missing
        raise ArithmeticError(f"{self.name}: no instant found for a count of turns within {_MOST_STEPS} steps")
