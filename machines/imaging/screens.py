"""Threshold masks on a torus: each dot is decided alone, by its tone and its place.

A mask is a small square of ranks that closes on itself both ways. Round a turn whose columns are no multiple of it,
the mask is stretched or shrunk by whole columns, evenly spread, so that the turn closes on the mask too.
"""

from __future__ import annotations

from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from machines.imaging.pieces import Piece

Mask = Literal["blue-noise", "ordered"]
Ranks = NDArray[np.intp]

_BLUE_SIZE = 64
_BAYER_ORDER = 4
# Of the Gaussian by which void-and-cluster weighs neighbours, in dots (Ulichney 1993 proposes 1.5).
_SIGMA = 1.5


def threshold(piece: Piece, mask: Mask, dots: NDArray[np.bool_]) -> None:
    """Set the dots of a piece where its tone exceeds the mask.

    Args:
        piece: of the tone of a turn.
        mask: which one.
        dots: of the whole turn; column 0 follows the last one.
    """
    ranks = blue_noise() if mask == "blue-noise" else ordered()
    levels = ((ranks + 0.5) / ranks.size).astype(np.float32)
    rows, columns = dots.shape
    wobble = _wobble(rows)
    moved = np.arange(wobble.min(), wobble.max() + columns)
    places = mask_columns(moved, columns, ranks.shape[1])
    twice = np.tile(levels, (1, 2))
    for row, tone in enumerate(piece.tone, piece.top):
        # The mask is moved back by as much as the place where columns are repeated is moved on.
        level = twice[row % len(levels), -wobble[row] % ranks.shape[1] :]
        first = wobble[row] - wobble.min()
        np.greater(tone, level[places[first : first + columns]], out=dots[row])


def mask_columns(places: NDArray[np.int64], columns: int, width: int) -> NDArray[np.int64]:
    """Which column of a mask stands at places round a turn.

    Whole masks are fitted to the turn by repeating or leaving out single columns, evenly spread and never at place 0.
    """
    tiles = max(1, round(columns / width))
    return (places * (tiles * width) + columns // 2) // columns % width


def _wobble(rows: int) -> NDArray[np.int64]:
    """By how much the place where columns are repeated is moved in every row, lest they show as lines across the paper.

    A walk of steps -1, 0 and 1, so that neighbouring rows keep their places in the mask nearly everywhere."""
    steps = np.arange(rows, dtype=np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    steps = (steps ^ (steps >> np.uint64(31))) * np.uint64(0xBF58476D1CE4E5B9)
    return np.cumsum((steps >> np.uint64(40)).astype(np.int64) % 3 - 1)


def ordered() -> Ranks:
    """Bayer's matrix of 16 by 16 ranks."""
    ranks = np.zeros((1, 1), dtype=np.intp)
    for _ in range(_BAYER_ORDER):
        ranks = np.block([[4 * ranks, 4 * ranks + 2], [4 * ranks + 3, 4 * ranks + 1]])
    return ranks


@cache
def blue_noise() -> Ranks:
    """Ranks 0 to 4095 on a torus of 64 by 64, by void and cluster.

    R. A. Ulichney, "The void-and-cluster method for dither array generation", Proc. SPIE 1913 (1993); from memory.
    Whole numbers throughout, so that every machine makes the same mask.
    """
    size = _BLUE_SIZE**2
    pattern = _first_pattern(size // 10)
    ranks = np.empty(size, dtype=np.intp)
    field = _Field(pattern)
    for rank in range(len(pattern) - 1, -1, -1):
        ranks[field.take_from_cluster()] = rank
    field = _Field(pattern)
    for rank in range(len(pattern), size):
        ranks[field.put_into_void()] = rank
    return ranks.reshape(_BLUE_SIZE, _BLUE_SIZE)


def _first_pattern(points: int) -> NDArray[np.intp]:
    """Points spread until the tightest cluster, taken up, falls into the place that it came from."""
    keys = np.arange(_BLUE_SIZE**2, dtype=np.uint64) * np.uint64(0xD1342543DE82EF95)
    keys = (keys ^ (keys >> np.uint64(29))) * np.uint64(0x94D049BB133111EB)
    field = _Field(np.argsort(keys, kind="stable")[:points])
    for _ in range(10 * points):
        taken = field.take_from_cluster()
        if field.put_into_void() == taken:
            break
    return np.flatnonzero(field.filled)


class _Field:
    """Points on the torus, and at every place how crowded it is."""

    def __init__(self, points: NDArray[np.intp]) -> None:
        near = np.minimum(np.arange(_BLUE_SIZE), _BLUE_SIZE - np.arange(_BLUE_SIZE))
        weight = np.exp(-(near[:, None] ** 2 + near**2) / (2 * _SIGMA**2))
        self.weight = np.rint(weight * 1e6).astype(np.int64)
        self.filled = np.zeros(_BLUE_SIZE**2, dtype=np.bool_)
        self.crowd = np.zeros(_BLUE_SIZE**2, dtype=np.int64)
        for point in points:
            self._change(int(point), 1)

    def take_from_cluster(self) -> int:
        """Take the point that is most crowded."""
        point = int(np.argmax(np.where(self.filled, self.crowd, -1)))
        self._change(point, -1)
        return point

    def put_into_void(self) -> int:
        """Put a point where there is most room."""
        point = int(np.argmin(np.where(self.filled, np.iinfo(np.int64).max, self.crowd)))
        self._change(point, 1)
        return point

    def _change(self, point: int, by: int) -> None:
        self.filled[point] = by > 0
        self.crowd += by * np.roll(self.weight, divmod(point, _BLUE_SIZE), axis=(0, 1)).ravel()
