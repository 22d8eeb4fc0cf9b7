"""Rings and lines of longitude and latitude, laid out along the paper without a jump.

A file may cut its rings at the date line (RFC 7946, section 3.1.9) or let them jump from 180 to -180; a ring may run
once round the Earth and mean all that lies on its poleward side. Here such a ring becomes one polygon in unbroken
longitudes, to be drawn at every whole turn at which it meets the paper.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Positions = NDArray[np.float64]


def unwrap(line: Positions) -> Positions:
    """The line with longitudes that run on past 180 degrees in place of jumping.

    A step of more than 180 degrees is taken the short way round. One of exactly 180 is left as it is written.

    Args:
        line: shape (n, 2), longitude and latitude in degrees.
    """
    steps = np.diff(line[:, 0])
    if np.abs(steps).max(initial=0.0) <= 180.0:
        return line
    turns = np.where(np.abs(steps) > 180.0, np.round(steps / 360.0), 0.0)
    unbroken = line.copy()
    unbroken[1:, 0] -= 360.0 * np.cumsum(turns)
    return unbroken


def densified(line: Positions, step_degrees: float = 1.0) -> Positions:
    """The line with positions added on its long sloping edges.

    An edge is straight in longitude and latitude (RFC 7946, section 3.1.1), and so bends on a map whose parallels are
    not evenly spaced."""
    steps = np.abs(np.diff(line, axis=0)).min(axis=1, initial=np.inf)
    pieces = np.maximum(1, np.ceil(steps / step_degrees)).astype(np.intp)
    if pieces.max(initial=1) == 1:
        return line
    corners = np.concatenate([[0], np.cumsum(pieces)])
    places = np.arange(corners[-1] + 1)
    return np.column_stack([np.interp(places, corners, line[:, axis]) for axis in (0, 1)])


def area(ring: Positions) -> float:
    """The ring's area in square degrees of longitude and latitude (shoelace formula), without sign."""
    x, y = ring[:, 0] - ring[0, 0], ring[:, 1]
    return float(abs(np.dot(x[:-1], y[1:]) - np.dot(x[1:], y[:-1])) / 2.0)


def close(ring: Positions) -> Positions:
    """The polygon that a closed ring means, in unbroken longitudes.

    A ring that runs once round the Earth encloses the pole of the hemisphere in which it lies. A ring that has no
    area when its long steps are taken the short way round (a box from -180 to 180) is taken as it is written.

    Args:
        ring: shape (n, 2), longitude and latitude in degrees; the last position repeats the first.
    """
    unbroken = unwrap(ring)
    if abs(unbroken[-1, 0] - unbroken[0, 0]) > 180.0:
        return densified(_close_over_pole(unbroken))
    return densified(unbroken if area(unbroken) > 0.0 else ring)


def _close_over_pole(unbroken: Positions) -> Positions:
    widths = np.abs(np.diff(unbroken[:, 0]))
    middles = (unbroken[1:, 1] + unbroken[:-1, 1]) / 2.0
    pole = 90.0 if np.dot(widths, middles) > 0.0 else -90.0
    over = [[unbroken[-1, 0], pole], [unbroken[0, 0], pole], unbroken[0].tolist()]
    return np.concatenate([unbroken, over])


def coast(ring: Positions) -> list[Positions]:
    """The ring as lines to be stroked, without the edges along which a file was cut: the date line and the poles."""
    at_cut = (np.abs(ring[:, 0]) == 180.0) | (np.abs(ring[:, 1]) > 89.99)
    edges = at_cut[:-1] & at_cut[1:]
    pieces = np.split(unwrap(ring), np.flatnonzero(edges) + 1)
    return [piece for piece in pieces if len(piece) > 1]
