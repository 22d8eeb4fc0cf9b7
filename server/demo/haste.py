"""How much faster than the sky the demonstration may go on this computer, as busy as it is now.

Compressed time compresses every stumble of the computer, too: at 1,400 times, a fifth of a second in which other
programs have the processor makes a machine minutes late. So a busy computer is given a longer day.
"""

from __future__ import annotations

import math
import time

TRY_S = 0.5
STEP = 100.0
# Of the fastest; slower than this the demonstration would outlast anybody's patience.
SLOWEST_SHARE = 0.25
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
    return max(SLOWEST_SHARE * fastest, math.floor(share * fastest / STEP) * STEP)
