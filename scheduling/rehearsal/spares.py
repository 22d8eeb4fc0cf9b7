"""How many spares are enough, where parts fail by chance: the smallest number whose Poisson sum reaches what is asked.

With a mean of m failures, P(at most s) = exp(-m) (1 + m + m^2 / 2 + ... + m^s / s!). What wears out is replaced by
count, and is none of this.
"""

from __future__ import annotations

import math

from machines.errors import InputError


def spares(mean: float, confidence: float) -> int:
    """The smallest number of spares that suffices with at least the given probability.

    Raises:
        InputError: no probability, or no mean.
    """
    if not (math.isfinite(mean) and mean >= 0.0):
        raise InputError("mean", f"{mean} failures", "give a number from 0 on")
    if not 0.0 < confidence < 1.0:
        raise InputError("confidence", f"{confidence}", "give more than 0 and less than 1")
    if mean == 0.0:
        return 0
    number, reached = 0, math.exp(-mean)
    while reached < confidence:
        number += 1
        # By logarithms: of a large mean exp(-m) is less than the smallest number, and the terms are not.
        term = math.exp(number * math.log(mean) - mean - math.lgamma(number + 1))
        if term < 1e-18 and number > mean:  # the sum grows no more
            break
        reached += term
    return number
