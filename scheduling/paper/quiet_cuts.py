"""Which strips are not cut where they end, as it is quiet when that place comes to the knife."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import groupby

import numpy as np
from numpy.typing import ArrayLike, NDArray

from machines.clock import utc
from machines.model.profile import Profile
from scheduling.log.models import Run
from scheduling.sky.arrays import FloatArray
from scheduling.venues.quiet import QuietBetween

# So many strips are held against quiet hours, three years at 48 a day; those after them count as cut.
MOST_LOOKED_AT = 50_000


def held_cuts(
    starts: Sequence[int],
    run: Run,
    profile: Profile,
    instants: Callable[[ArrayLike], FloatArray],
    quiet: QuietBetween | None,
) -> NDArray[np.bool_]:
    """Of the beginnings of strips, which come to the knife in quiet hours.

    Args:
        starts: running columns, in order.
        run: that they are of.
        profile: of its machine.
        instants: when running columns belong under the head, POSIX seconds.
        quiet: when the knife is held; None where it never is.

    Returns:
        for each of them, up to as many as are looked at.
    """
    starts = starts[:MOST_LOOKED_AT]
    if quiet is None or not starts:
        return np.zeros(len(starts), dtype=np.bool_)
    # A place comes there with the burst that fills the way.
    bursts = [profile.burst_start(column + profile.knife_columns - 1) for column in starts]
    come = instants([max(burst, run.first_column) for burst in bursts])
    spans = quiet(utc(float(come[0]) - 1.0), utc(float(come[-1]) + 1.0))
    edges = [edge.timestamp() for span in spans for edge in span]
    held: NDArray[np.bool_] = np.searchsorted(edges, come, side="right") % 2 == 1
    return held


def most_together(held: NDArray[np.bool_]) -> int:
    """How many strips hang together at most, where some of their ends are not cut."""
    return 1 + max((len(list(run)) for is_held, run in groupby(held.tolist()) if is_held), default=0)
