"""How many spares are enough, where parts fail by chance: the smallest number whose Poisson sum reaches what is asked.

With a mean of m failures, P(at most s) = exp(-m) (1 + m + m^2 / 2 + ... + m^s / s!). What wears out is replaced by
count, and is none of this.
"""

from __future__ import annotations

import math

from machines.errors import InputError

LARGEST_MEAN = 500.0  # exp(-m) is a number yet


def spares(mean: float, confidence: float) -> int:
    """The smallest number of spares that suffices with at least the given probability.

    Raises:
        InputError: no probability, or a mean that no number of spares meets.
    """
    if not 0.0 <= mean <= LARGEST_MEAN:
        raise InputError("mean", f"{mean} failures", f"give 0 to {LARGEST_MEAN:g}")
    if not 0.0 < confidence < 1.0:
        raise InputError("confidence", f"{confidence}", "give more than 0 and less than 1")
    number, term = 0, math.exp(-mean)
    reached = term
    while reached < confidence:
        number += 1
        term *= mean / number
        if term < 1e-18 and number > mean:  # the sum grows no more
            break
        reached += term
    return number
