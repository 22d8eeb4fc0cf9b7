"""When a body passes a height above the horizon of a place, and when it is nearest or farthest."""

from __future__ import annotations

import numpy as np

from scheduling.sky.arrays import BoolArray, FloatArray
from scheduling.sky.bodies import DISTANCE, Body, Sky
from scheduling.sky.places import Place
from scheduling.sky.search import crossings, root
from scheduling.sky.timescales import DAY_S
from scheduling.sky.topocentric import Horizon, height_degrees

# Between two instants three hours apart the height of a body has at most one extremum, anywhere on the Earth.
_HEIGHT_STEP_S = DAY_S / 8.0


def horizon_crossings(
    sky: Sky, body: Body, place: Place, horizon: Horizon, first_tt: float, last_tt: float
) -> tuple[FloatArray, BoolArray]:
    """The TT instants in [first, last] at which the body passes the horizon, in order, and whether it rises.

    None on a day when the body stays above, or below, all day.
    """
    grid = _grid(sky, first_tt, last_tt, _HEIGHT_STEP_S)
    at, rises = crossings(lambda tt: height_degrees(sky, body, place, horizon, tt), grid)
    inside = (at >= first_tt) & (at <= last_tt)
    return at[inside], rises[inside]


def distance_extrema(
    sky: Sky, body: Body, step_s: float, first_tt: float, last_tt: float
) -> tuple[FloatArray, BoolArray]:
    """The TT instants in [first, last] at which the body is nearest or farthest, and whether nearest.

    ``step_s`` is fine enough that between two instants that far apart there is at most one.
    """

    def rate(tt: FloatArray) -> FloatArray:
        _, (found,) = body.ecliptic.values_and_rates(tt, [DISTANCE])
        return np.asarray(found)

    grid = _grid(sky, first_tt, last_tt, step_s)
    rates = rate(grid)
    recedes = rates >= 0.0
    changes = recedes[:-1] != recedes[1:]
    at = root(rate, grid[:-1][changes], grid[1:][changes], rates[:-1][changes], rates[1:][changes])
    inside = (at >= first_tt) & (at <= last_tt)
    return at[inside], recedes[1:][changes][inside]


def _grid(sky: Sky, first_tt: float, last_tt: float, step_s: float) -> FloatArray:
    """Whole multiples of the step around [first, last]: the same event is found from the same bracket always."""
    steps = np.arange(np.floor(first_tt / step_s), np.ceil(last_tt / step_s) + 1.0)
    clipped = np.clip(steps * step_s, sky.ephemeris.first_tt, sky.ephemeris.last_tt)
    return np.asarray(clipped[np.append(True, np.diff(clipped) > 0.0)])
