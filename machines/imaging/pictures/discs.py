"""Discs with smooth edges, on paper that closes on itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from machines.imaging.pictures.sheet import Sheet

# Points to a dot, along either axis, over which a disc's edge is averaged.
_POINTS = 6


@dataclass(frozen=True)
class Disc:
    """A disc by its centre, in millimetres from phase 0 and from the upper edge, and its radius in millimetres."""

    along_mm: float
    down_mm: float
    radius_mm: float

    def window(self, sheet: Sheet) -> tuple[slice, NDArray[np.int64]]:
        """The rows and columns that the disc may touch; columns are not reduced to one turn."""
        top = int(np.floor((self.down_mm - self.radius_mm) / sheet.row_mm))
        bottom = int(np.floor((self.down_mm + self.radius_mm) / sheet.row_mm)) + 1
        left = int(np.floor((self.along_mm - self.radius_mm) / sheet.column_mm))
        right = int(np.floor((self.along_mm + self.radius_mm) / sheet.column_mm)) + 1
        return slice(max(0, top), max(0, min(sheet.rows, bottom))), np.arange(left, right)


def offsets_mm(first: int, end: int, pitch_mm: float, centre_mm: float, points: int) -> NDArray[np.float64]:
    """Distances from a centre of the points, several to a dot, of the dots ``first`` to ``end``."""
    places = np.arange(first * points, end * points, dtype=np.float64) + 0.5
    return places * (pitch_mm / points) - centre_mm


def mean_over_dots(points: NDArray[np.bool_] | NDArray[np.float32], per_dot: int) -> NDArray[np.float32]:
    """The mean of every block of ``per_dot`` by ``per_dot`` points."""
    rows, columns = points.shape[0] // per_dot, points.shape[1] // per_dot
    blocks = points.reshape(rows, per_dot, columns, per_dot)
    return np.asarray(blocks.mean(axis=(1, 3), dtype=np.float32))


def stamp(tone: NDArray[np.float32], sheet: Sheet, disc: Disc, ink: np.float32) -> None:
    """Draw a disc; where something darker is drawn already, that stays."""
    rows, columns = disc.window(sheet)
    if rows.start == rows.stop:
        return
    down = offsets_mm(rows.start, rows.stop, sheet.row_mm, disc.down_mm, _POINTS)
    along = offsets_mm(int(columns[0]), int(columns[-1]) + 1, sheet.column_mm, disc.along_mm, _POINTS)
    covered = mean_over_dots(down[:, None] ** 2 + along**2 <= disc.radius_mm**2, _POINTS)
    place = np.ix_(np.arange(rows.start, rows.stop), columns % sheet.columns)
    tone[place] = np.maximum(tone[place], covered * ink)
