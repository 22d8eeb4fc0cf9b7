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
# A secant step leaves an error of its own length times that of the step before times half the change of the rate in a
# second, which is 2e-7 at most (the month): below this product of lengths, a tenth of a millisecond.
_SMALL_STEPS_S2 = 400.0
_LEAST_STEP_S = 1e-4  # over a shorter step the secant is noise
_BEYOND_S = 1e-3


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
        if (beyond_s > _BEYOND_S).any():
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
        tt = np.clip((wanted - self.mean_turns_at_j2000) * self.mean_turn_s, first, last)
        missing = wanted - self.count(tt)
        step = np.clip(tt + missing * self.mean_turn_s, first, last) - tt
        searching = np.ones(wanted.shape, dtype=np.bool_)
        for _ in range(_MOST_STEPS):
            tt = tt + step
            still_missing = wanted - self.count(tt)
            mean = np.full(step.shape, self.mean_turn_s)
            secant = np.divide(step, missing - still_missing, out=mean, where=np.abs(step) > _LEAST_STEP_S)
            missing = still_missing
            # Each instant stops by itself: what is found for it never depends on what else was asked.
            before, step = step, np.where(searching, np.clip(tt + missing * secant, first, last) - tt, 0.0)
            searching = np.abs(step * before) > _SMALL_STEPS_S2
            if not searching.any():
                return tt + step
        raise ArithmeticError(f"{self.name}: no instant found for a count of turns within {_MOST_STEPS} steps")
