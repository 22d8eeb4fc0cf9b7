"""Where on a picture there is most to see."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

# So many places are looked at along a picture, and across it.
ALONG, ACROSS = 24, 12


def busiest(tone: NDArray[np.float32], wide: int, high: int) -> tuple[int, int]:
    """The left and the upper edge of the piece, so wide and high, whose tones differ most from one another; the middle
    where all are alike.

    Args:
        tone: shape (rows, columns).
        wide, high: of the piece, at most as much as there is.
    """
    rows, columns = tone.shape

    def differs(place: tuple[int, int]) -> float:
        left, top = place
        return float(tone[top : top + high, left : left + wide].std())

    lefts, tops = (np.linspace(0, most, count) for most, count in ((columns - wide, ALONG), (rows - high, ACROSS)))
    middle = (columns - wide) // 2, (rows - high) // 2
    return max(
        (middle, *((int(left), int(top)) for left in lefts for top in tops)), key=differs
    )  # of several the first
