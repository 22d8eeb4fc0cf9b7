r"""Roots of smooth functions of time, many at once.

Where does a function cross zero? Two cases, and a grid fine enough that an interval holds at most one extremum::

      f                                  f
      |     .--.                         |            .-.            a maximum below the axis that
      |   /      \                       |          /     \          pokes through it between two
    --+--o--------o----------      ------+----+---o-------o---+---   points of the grid: found from
      | /          \                     |    | /           \ |      the slopes at its ends
        the sign changes: a bracket          f < 0, and its rate changes sign
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from scheduling.sky.arrays import BoolArray, FloatArray

Value = Callable[[FloatArray], FloatArray]
ValueAndRate = Callable[[FloatArray], tuple[FloatArray, FloatArray]]

_PRECISION_S = 1e-5
_MOST_STEPS = 100


def crossings(function: ValueAndRate, grid: FloatArray) -> tuple[FloatArray, BoolArray]:
    """The instants in ``grid``'s span where ``function`` crosses zero, in order, and whether it rises there.

    ``function`` gives values and rates for an array of instants. ``grid`` is increasing and fine enough that between
    two of its points the function has at most one extremum. A value of exactly zero counts as above.
    """
    value, rate = function(grid)
    above = value >= 0.0
    low, high, above_at_low = grid[:-1], grid[1:], above[:-1]
    changes = above_at_low != above[1:]
    back = ~changes & ((rate[:-1] < 0.0) == above_at_low) & ((rate[1:] > 0.0) == above_at_low)
    tip = root(lambda tt: function(tt)[1], low[back], high[back])
    through = (function(tip)[0] >= 0.0) != above_at_low[back]
    tip, before, after, base = tip[through], low[back][through], high[back][through], above_at_low[back][through]

    rises = np.concatenate([~above_at_low[changes], ~base, base])
    at = root(
        lambda tt: function(tt)[0],
        np.concatenate([low[changes], before, tip]),
        np.concatenate([high[changes], tip, after]),
    )
    order = np.argsort(at)
    return at[order], rises[order]


def root(function: Value, low: FloatArray, high: FloatArray) -> FloatArray:
    """One root in each interval, at whose ends the function has opposite signs.

    The Illinois variant of the false position: a secant through two points that bracket the root, the weight of an end
    that stays put being halved (M. Dowell, P. Jarratt, "A modified regula falsi method", BIT 11, 1971, 168-174). It
    needs no rate, never leaves the bracket, and converges with order 1.44. Stops when no root moves by more than
    ten microseconds, which leaves it far nearer than that.
    """
    kept, kept_value = low, function(low)
    latest, latest_value = high, function(high)
    for _ in range(_MOST_STEPS):
        following = latest - latest_value * (latest - kept) / (latest_value - kept_value)
        value = function(following)
        brackets = (value >= 0.0) != (latest_value >= 0.0)
        kept = np.where(brackets, latest, kept)
        kept_value = np.where(brackets, latest_value, 0.5 * kept_value)
        moved = np.abs(following - latest).max(initial=0.0)
        latest, latest_value = following, value
        if moved < _PRECISION_S:
            break
    return latest
