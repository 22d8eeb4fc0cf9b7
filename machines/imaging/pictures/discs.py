"""Discs with smooth edges, on paper that closes on itself."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from machines.imaging.pictures.sheet import Sheet
from machines.imaging.pieces import Piece

# Points to a dot, along either axis, over which a disc's edge is averaged.
_POINTS = 6
# Worked out at a time, with some arrays of eight octets each.
_MOST_POINTS = 500_000


@dataclass(frozen=True)
class Disc:
    """A disc by its centre, in millimetres from phase 0 and from the upper edge, and its radius in millimetres."""

    along_mm: float
    down_mm: float
    radius_mm: float

    def window(self, sheet: Sheet, piece: Piece) -> tuple[slice, NDArray[np.int64]]:
        """The rows of a piece and the columns that the disc may touch; columns are not reduced to one turn."""
        top = int(np.floor((self.down_mm - self.radius_mm) / sheet.row_mm))
        bottom = int(np.floor((self.down_mm + self.radius_mm) / sheet.row_mm)) + 1
        left = int(np.floor((self.along_mm - self.radius_mm) / sheet.column_mm))
        right = int(np.floor((self.along_mm + self.radius_mm) / sheet.column_mm)) + 1
        first, end = max(piece.top, top), min(piece.rows.stop, bottom)
        return slice(first, max(first, end)), np.arange(left, right)


def offsets_mm(first: int, end: int, pitch_mm: float, centre_mm: float, points: int) -> NDArray[np.float64]:
    """Distances from a centre of the points, several to a dot, of the dots ``first`` to ``end``."""
    places = np.arange(first * points, end * points, dtype=np.float64) + 0.5
    return places * (pitch_mm / points) - centre_mm


def mean_over_dots(points: NDArray[np.bool_] | NDArray[np.float32], per_dot: int) -> NDArray[np.float32]:
    """The mean of every block of ``per_dot`` by ``per_dot`` points."""
    rows, columns = points.shape[0] // per_dot, points.shape[1] // per_dot
    blocks = points.reshape(rows, per_dot, columns, per_dot)
    return np.asarray(blocks.mean(axis=(1, 3), dtype=np.float32))


def stamp(piece: Piece, sheet: Sheet, disc: Disc, ink: np.float32) -> None:
    """Draw a disc on a piece; where something darker is drawn already, that stays."""
    rows, columns = disc.window(sheet, piece)
    for some in few_points(rows, len(columns), _POINTS):
        down = offsets_mm(some.start, some.stop, sheet.row_mm, disc.down_mm, _POINTS)
        along = offsets_mm(int(columns[0]), int(columns[-1]) + 1, sheet.column_mm, disc.along_mm, _POINTS)
        covered = mean_over_dots(down[:, None] ** 2 + along**2 <= disc.radius_mm**2, _POINTS)
        place = np.ix_(np.arange(some.start - piece.top, some.stop - piece.top), columns % sheet.columns)
        piece.tone[place] = np.maximum(piece.tone[place], covered * ink)


def few_points(rows: slice, columns: int, per_dot: int) -> Iterator[slice]:
    """Rows, few enough at a time for what is worked out at each of the points of so many columns."""
    step = max(1, _MOST_POINTS // (columns * per_dot**2))
    for start in range(rows.start, rows.stop, step):
        yield slice(start, min(start + step, rows.stop))
