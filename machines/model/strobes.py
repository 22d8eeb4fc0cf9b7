"""A line head: in which strobe each dot of a column fires, so that the supply is never asked for more than it gives."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from machines.model.profile import LineHead

NO_STROBE = -1


def strobes(dots: NDArray[np.bool_], head: LineHead) -> NDArray[np.int32]:
    """The strobe of every dot.

    A column of n dots takes the fewest strobes there can be, n over the dots per strobe, rounded up. The dots are
    dealt out in turn, so that the loads of two strobes differ by at most one dot and each is spread over the whole
    head.

    Args:
        dots: bool, one column of shape (rows,) or several of shape (rows, columns).
        head: the head.

    Returns:
        Strobe numbers from 0 within each column, -1 where there is no dot; the shape of ``dots``.
    """
    needed = np.maximum(1, strobes_needed(dots, head))
    ordinal = np.cumsum(dots, axis=0, dtype=np.int32) - 1
    return np.where(dots, ordinal % needed, NO_STROBE).astype(np.int32)


def strobes_needed(dots: NDArray[np.bool_], head: LineHead) -> NDArray[np.int32]:
    """How many strobes each column takes; 0 for a blank one."""
    counts = np.count_nonzero(dots, axis=0)
    return np.asarray(-(-counts // head.dots_per_strobe), dtype=np.int32)
