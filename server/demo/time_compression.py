"""How much faster than the sky the demonstration may go on this computer, as busy as it is now.

Compressed time compresses every stumble of the computer, too: at 1,400 times, a fifth of a second in which other
programs have the processor makes a machine minutes late. So a busy computer is given a longer day, how busy it is is
looked at again and again while that passes, and what was late on a busy computer says nothing of the product.
"""

from __future__ import annotations

import math
import time
from collections.abc import Sequence

TRY_S = 0.5
STEP = 100.0
# Of the fastest; slower than this, a day of ten minutes, the demonstration would outlast anybody's patience.
SLOWEST_SHARE = 0.125
# Of what is to be had of a busy computer: it is busier still when we are at work, too.
OF_A_BUSY_ONE = 0.75
# A computer that has less of a core to give on average is too busy to judge by what it did in time.
ENOUGH = 0.7
# What a look while the day passes takes of it.
GLANCE_S = 0.1
# What a computer that does nothing else still does.
ALWAYS_TAKEN = 0.05


def share_of_a_core(for_s: float = TRY_S) -> float:
    """Which part of a processor core this process gets while it wants all of one, 0 to 1; measured by wanting it.

    Args:
        for_s: how long, seconds.
    """
    began, worked_from = time.perf_counter(), time.process_time()
    while (passed := time.perf_counter() - began) < for_s:
        pass
    return min(1.0, (time.process_time() - worked_from) / passed)


def speed(fastest: float, share: float) -> float:
    """Seconds shown a second, in whole steps: the fastest where a whole core is to be had, and in proportion below.

    Args:
        fastest: seconds shown a second on a computer that does nothing else.
        share: of a core, from `share_of_a_core`.
    """
    if share >= 1.0 - ALWAYS_TAKEN:
        return fastest
    return max(SLOWEST_SHARE * fastest, math.floor(OF_A_BUSY_ONE * share * fastest / STEP) * STEP)


def slower(fastest: float, pace: float) -> float | None:
    """Half as fast, as far as that goes; None where it was as slow as it goes.

    Args:
        fastest, pace: seconds shown a second, at most and until now.
    """
    slowest = SLOWEST_SHARE * fastest
    return None if pace <= slowest else max(slowest, pace / 2)


def too_busy(shares: Sequence[float]) -> bool:
    """Whether a computer that had such shares of a core to give was too busy to be in time."""
    return bool(shares) and sum(shares) / len(shares) < ENOUGH
