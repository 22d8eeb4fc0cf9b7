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

Smooth = Callable[[FloatArray], FloatArray]
ValueAndRate = Callable[[FloatArray], tuple[FloatArray, FloatArray]]

_PRECISION_S = 1e-3
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
    tip = root(lambda tt: function(tt)[1], low[back], high[back], rate[:-1][back], rate[1:][back])
    at_tip, _ = function(tip)
    through = (at_tip >= 0.0) != above_at_low[back]
    before, after = np.flatnonzero(back)[through], np.flatnonzero(back)[through] + 1

    lows = np.concatenate([low[changes], grid[before], tip[through]])
    highs = np.concatenate([high[changes], tip[through], grid[after]])
    at_lows = np.concatenate([value[:-1][changes], value[before], at_tip[through]])
    at_highs = np.concatenate([value[1:][changes], at_tip[through], value[after]])
    at = root(lambda tt: function(tt)[0], lows, highs, at_lows, at_highs)
    rises = at_lows < 0.0
    order = np.argsort(at)
    return at[order], rises[order]


def root(function: Smooth, low: FloatArray, high: FloatArray, at_low: FloatArray, at_high: FloatArray) -> FloatArray:
    """One root in each interval, at whose ends the function has the values given, of opposite signs.

    T. R. Chandrupatla's hybrid (Advances in Engineering Software 28, 1997, 145-149): through three points goes an
    inverse parabola where it can be trusted, else the bracket is halved. It needs no rate and never leaves the
    bracket. A root is found when its bracket is less than a millisecond wide, in which the function is as good as
    straight; each stops by itself, so that what is found for one never depends on what else was asked.
    """
    latest, other = low, high  # the bracket, and
    third = high  # the point that left it last
    at_latest, at_other, at_third = at_low, at_high, at_high
    part = at_latest / (at_latest - at_other)
    found = low
    searching = np.ones(low.shape, dtype=np.bool_)
    for _ in range(_MOST_STEPS):
        trial = latest + part * (other - latest)
        at_trial = function(trial)
        same_side = (at_trial >= 0.0) == (at_latest >= 0.0)
        third, other = np.where(same_side, latest, other), np.where(same_side, other, latest)
        at_third, at_other = np.where(same_side, at_latest, at_other), np.where(same_side, at_other, at_latest)
        latest, at_latest = trial, at_trial
        between = latest + (other - latest) * at_latest / (at_latest - at_other)
        found = np.where(searching, between, found)
        searching &= np.abs(other - latest) >= _PRECISION_S
        if not searching.any():
            break
        part = _next_part(latest, other, third, at_latest, at_other, at_third)
    return found


def _next_part(
    latest: FloatArray,
    other: FloatArray,
    third: FloatArray,
    at_latest: FloatArray,
    at_other: FloatArray,
    at_third: FloatArray,
) -> FloatArray:
    """Which part of the way from ``latest`` to ``other`` to try next, 0 to 1."""
    with np.errstate(all="ignore"):
        xi = (latest - other) / (third - other)
        phi = (at_latest - at_other) / (at_third - at_other)
        parabola = at_latest / (at_other - at_latest) * at_third / (at_other - at_third)
        slope = (third - latest) / (other - latest)
        parabola += slope * at_latest / (at_third - at_latest) * at_other / (at_third - at_other)
        trusted = (phi**2 < xi) & ((1.0 - phi) ** 2 < 1.0 - xi)
        least = np.minimum(0.5, 0.9 * _PRECISION_S / np.abs(other - latest))
    return np.clip(np.where(trusted, parabola, 0.5), least, 1.0 - least)
