"""Cylindrical map projections, by pyproj on a sphere.

On all of them a meridian is a straight line across the paper and longitude runs evenly along it, so that a map closes
on itself and every column has one longitude. They differ only in how far from the equator a parallel stands.

The Earth is a sphere to these maps, and latitudes are taken as they are given: on a turn of 600 mm a parallel of the
equirectangular map stands up to 0.4 mm from where it would be on the ellipsoid, which no eye can tell. They are no
maps to measure the ground by.
"""

from __future__ import annotations

from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from pyproj import Proj

Projection = Literal["equirectangular", "mercator", "miller", "equal-area", "gall-stereographic"]

_PROJ = {
    "equirectangular": "eqc",
    "mercator": "merc",
    "miller": "mill",
    "equal-area": "cea",
    "gall-stereographic": "gall",
}
WITH_STANDARD_PARALLEL = ("equirectangular", "equal-area")
# Mercator puts the poles at infinity. Beyond this latitude nothing is drawn in its right place.
MERCATOR_LIMIT_DEGREES = 89.9


def parallels(
    projection: Projection, latitudes: NDArray[np.float64], standard_parallel_degrees: float = 0.0
) -> NDArray[np.float64]:
    """How far north of the equator the parallels stand.

    Args:
        projection: which one.
        latitudes: degrees, any shape; on Mercator those beyond 89.9 are taken as 89.9.
        standard_parallel_degrees: the parallel without distortion, where the projection leaves it open.

    Returns:
        Distances in radians of longitude along the map: a turn is 2 pi of them long.
    """
    limit = MERCATOR_LIMIT_DEGREES if projection == "mercator" else 90.0
    proj = _proj(projection, standard_parallel_degrees)
    along, _ = proj(1.0, 0.0)
    _, north = proj(np.zeros_like(latitudes), np.clip(latitudes, -limit, limit))
    return np.asarray(north * (np.radians(1.0) / along), dtype=np.float64)


@cache
def _proj(projection: Projection, standard_parallel_degrees: float) -> Proj:
    parameters = {"proj": _PROJ[projection], "R": 1.0}
    if projection in WITH_STANDARD_PARALLEL:
        parameters["lat_ts"] = standard_parallel_degrees
    return Proj(parameters)
