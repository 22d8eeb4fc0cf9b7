"""Polygons and lines with smooth edges, on paper that closes on itself."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from machines.errors import InputError
from machines.imaging.pictures.drawn_rows import Area, Box, Hole, Stroke, drawn_rows
from machines.imaging.pictures.sheet import Sheet

# How often polygons, strokes, and the boxes of holes may cover the canvas. The land of the world covers it once.
_MOST_FILLED = 200
_MOST_STROKED = 200
_MOST_HOLED = 8
# Corners of strokes are made round, which costs as much for a short stroke as for a long one.
_MOST_ROUNDED = 1_000_000


class Canvas:
    """Black and white at several points to a dot, closed on itself along the columns.

    What is drawn on it is kept as it was said, and shows in the rows that are asked for: a row does not depend on the
    others.
    """

    def __init__(self, sheet: Sheet) -> None:
        self.sheet = sheet
        self.scale = sheet.oversampling
        self.size = (sheet.columns * self.scale, sheet.rows * self.scale)
        self.shapes: list[Area | Stroke] = []
        self.filled, self.holed, self.stroked, self.rounded = 0, 0, 0, 0

    def __bool__(self) -> bool:
        return bool(self.shapes)

    def fill(self, rings: list[NDArray[np.float64]]) -> None:
        """Fill a polygon with holes, its rings in columns and rows.

        What was drawn before shows through the holes, such as an island in a lake.

        Raises:
            InputError: what was filled so far covers the canvas too often: a file made to keep us busy.
        """
        outer, *inner = (self._pixels(ring) for ring in rings)
        holes = []
        for hole in inner:
            places = [(shift, box) for shift, box in self._places(hole) if box[0] < box[2] and box[1] < box[3]]
            for _, box in places:
                self.holed += self._spent(box, self.holed, _MOST_HOLED)
            holes.append(Hole(hole, places))
        places = self._places(outer)
        for _, box in places:
            self.filled += self._spent(box, self.filled, _MOST_FILLED)
        top, bottom = _rows(outer, *inner)
        self.shapes.append(Area(outer, [shift for shift, _ in places], holes, top, bottom))

    def _spent(self, box: Box, before: int, most: int) -> int:
        """The area of a box, if together with what was spent before it is at most so many canvases."""
        area = max(0, box[2] - box[0]) * max(0, box[3] - box[1])
        self._require_few(before + area, most, "shapes")
        return area

    def _require_few(self, spent: int, most: int, what: str) -> None:
        if spent > most * self.size[0] * self.size[1]:
            raise InputError("upload", f"its {what} cover the map more than {most} times over", "give every place once")

    def line(self, line: NDArray[np.float64], width_mm: float, *, of_file: bool = True) -> None:
        """Draw a line given in columns and rows; one that is of no file is none too many.

        Raises:
            InputError: what was stroked so far of the file covers the canvas too often, or has too many corners.
        """
        pixels = self._pixels(line)
        width = max(1, round(width_mm / self.sheet.column_mm * self.scale))
        length = int(np.hypot(*np.diff(pixels, axis=0).T).sum())
        corners = _corners(pixels) if width > 4 else 0  # the library rounds no narrower ones
        places = self._places(pixels, width)
        for _ in places:
            if of_file:
                self.stroked += length * width + corners * width * width
                self.rounded += corners
            self._require_few(self.stroked, _MOST_STROKED, "lines")
            if self.rounded > _MOST_ROUNDED:
                raise InputError("upload", f"its lines have more than {_MOST_ROUNDED:,} corners", "simplify it")
        self.shapes.append(Stroke(pixels, [shift for shift, _ in places], width, *_rows(pixels)))

    def coverage(self, top: int = 0, end: int | None = None) -> NDArray[np.float32]:
        """Share of every dot that is covered, shape (rows, columns), of all rows or those from the top one on."""
        end = self.sheet.rows if end is None else end
        if not self.shapes:
            return np.zeros((end - top, self.sheet.columns), dtype=np.float32)
        return drawn_rows(self.shapes, self.size, top * self.scale, end * self.scale, self.scale) * np.float32(1 / 255)

    def _pixels(self, points: NDArray[np.float64]) -> NDArray[np.int64]:
        # A corner that stands between two points must not fall to either side by a rounding error.
        return np.floor(points * self.scale + 1e-6).astype(np.int64)

    def _places(self, pixels: NDArray[np.int64], margin: int = 0) -> list[tuple[int, Box]]:
        """The whole turns by which a shape must be moved to meet the canvas, in pixels, and its box on the canvas then.

        Args:
            pixels: of the shape.
            margin: how far its strokes reach beyond them.
        """
        west, north = (pixels.min(axis=0) - margin).tolist()
        east, south = (pixels.max(axis=0) + margin).tolist()
        width, height = self.size
        return [
            (shift, (max(0, west + shift), max(0, north), min(width, east + shift + 1), min(height, south + 1)))
            for shift in range(-(east // width) * width, -(west // width) * width + 1, width)
        ]


def _corners(pixels: NDArray[np.int64]) -> int:
    """How often a line does not go straight on."""
    steps = np.diff(pixels, axis=0)
    (x, y), (then_x, then_y) = steps[:-1].T, steps[1:].T
    is_straight = (x * then_y == y * then_x) & (x * then_x + y * then_y > 0)
    return int(np.count_nonzero(~is_straight))


def _rows(*shapes: NDArray[np.int64]) -> tuple[int, int]:
    """The first and the last row of shapes."""
    return min(int(one[:, 1].min()) for one in shapes), max(int(one[:, 1].max()) for one in shapes)


def hatching(
    sheet: Sheet, spacing_mm: float, line_mm: float, top: int = 0, end: int | None = None
) -> NDArray[np.bool_]:
    """Diagonal lines that close on themselves, bool of shape (rows, columns), of all rows or those from the top one on.

    The distance between two lines along the paper is the nearest to ``spacing_mm`` of which a turn holds a whole
    number."""
    lines = max(1, round(sheet.width_mm / spacing_mm))
    along = np.arange(sheet.columns) * (lines / sheet.columns)
    down = np.arange(top, sheet.rows if end is None else end) * (sheet.row_mm / spacing_mm)
    return np.asarray((along + down[:, None]) % 1.0 < line_mm / spacing_mm)
