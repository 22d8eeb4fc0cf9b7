"""A plain period: equal turns of the clock, free of the sky."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from machines.errors import InputError
from scheduling.sky.arrays import FloatArray, finite_array
from scheduling.sky.timescales import posix_of

# One turn a second is faster than paper moves, and three centuries are longer than the ephemeris.
SHORTEST_S, LONGEST_S = 1.0, 1e10


class PeriodError(InputError):
    """A period that cannot be; ``field`` names what is wrong with it."""


@dataclass(frozen=True)
class Period:
    """Turns of ``mean_turn_s`` seconds of UTC, the first beginning at ``epoch_posix``.

    Counted in POSIX seconds, so that a period of a day stays at its civil hour across a leap second. Has no
    range and no error.
    """

    mean_turn_s: float
    epoch_posix: float
    name: str = "period"
    sampling_error_s: float = 0.0

    def turns(self, posix: npt.ArrayLike) -> FloatArray:
        """The count of turns at POSIX instants."""
        return (finite_array("posix", posix) - self.epoch_posix) / self.mean_turn_s

    def instants(self, turns: npt.ArrayLike) -> FloatArray:
        """The POSIX instants of counts of turns."""
        return self.epoch_posix + finite_array("turns", turns) * self.mean_turn_s

    def ut1_error_s(self, posix: npt.ArrayLike) -> FloatArray:
        """Zero: a period does not follow the Earth."""
        return np.zeros(np.shape(posix))


def period(*, seconds: float, epoch: datetime) -> Period:
    """The period of ``seconds`` (1 to 1e10) from ``epoch`` (aware); raises :class:`PeriodError`."""
    is_number = isinstance(seconds, int | float) and not isinstance(seconds, bool)
    if not (is_number and SHORTEST_S <= seconds <= LONGEST_S):
        raise PeriodError("seconds", f"{seconds!r} is no period", f"give {SHORTEST_S:g} to {LONGEST_S:g} seconds")
    if not isinstance(epoch, datetime) or epoch.tzinfo is None:
        raise PeriodError("epoch", f"{epoch!r} is no instant", "give an aware datetime")
    return Period(float(seconds), posix_of(epoch))
