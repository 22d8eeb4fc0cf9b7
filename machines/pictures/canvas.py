"""Polygons and lines with smooth edges, on paper that closes on itself."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from machines.errors import InputError
from machines.pictures.sheet import Sheet

# How often polygons, and the boxes of their holes, may cover the canvas. The land of the world covers it once.
_MOST_FILLED = 200
_MOST_HOLED = 8


class Canvas:
    """Black and white at several points to a dot, closed on itself along the columns."""

    def __init__(self, sheet: Sheet) -> None:
        self.sheet = sheet
        self.scale = sheet.oversampling
        self.turn = sheet.columns * self.scale
        self.image = Image.new("L", (self.turn, sheet.rows * self.scale))
        self.pen = ImageDraw.Draw(self.image)
        self.filled, self.holed = 0, 0

    def fill(self, rings: list[NDArray[np.float64]]) -> None:
        """Fill a polygon with holes, its rings in columns and rows.

        What was drawn before shows through the holes, such as an island in a lake.

        Raises:
            InputError: what was filled so far covers the canvas too often: a file made to keep us busy.
        """
        holes = [self._under(self._pixels(hole)) for hole in rings[1:]]
        self._polygon(self._pixels(rings[0]))
        for patches in holes:
            for corner, before, stencil in patches:
                self.image.paste(before, corner, stencil)

    def _polygon(self, pixels: NDArray[np.int64]) -> None:
        for shift in self._shifts(pixels):
            self.filled += self._spent(self._box(pixels + np.array((shift, 0))), self.filled, _MOST_FILLED)
            self.pen.polygon((pixels + np.array((shift, 0))).ravel().tolist(), fill=255)

    def _under(self, hole: NDArray[np.int64]) -> list[tuple[tuple[int, int], Image.Image, Image.Image]]:
        """What the canvas shows under a hole: corner, copy of the canvas, and stencil of the hole without its
        border."""
        patches = []
        for shift in self._shifts(hole):
            pixels = hole + np.array((shift, 0))
            box = self._box(pixels)
            left, top, right, bottom = box
            if left < right and top < bottom:
                self.holed += self._spent(box, self.holed, _MOST_HOLED)
                stencil = Image.new("1", (right - left, bottom - top))
                ImageDraw.Draw(stencil).polygon((pixels - (left, top)).ravel().tolist(), fill=1, outline=0)
                patches.append(((left, top), self.image.crop(box), stencil))
        return patches

    def _box(self, pixels: NDArray[np.int64]) -> tuple[int, int, int, int]:
        """The part of the canvas around some pixels: left, top, right, bottom."""
        left, top = np.maximum(pixels.min(axis=0), 0).tolist()
        right, bottom = np.minimum(pixels.max(axis=0) + 1, self.image.size).tolist()
        return left, top, right, bottom

    def _spent(self, box: tuple[int, int, int, int], before: int, most: int) -> int:
        """The area of a box, if together with what was spent before it is at most so many canvases."""
        area = max(0, box[2] - box[0]) * max(0, box[3] - box[1])
        if before + area > most * self.image.width * self.image.height:
            remedy = "give every place once"
            raise InputError("upload", f"its shapes cover the map more than {most} times over", remedy)
        return area

    def line(self, line: NDArray[np.float64], width_mm: float) -> None:
        """Draw a line given in columns and rows."""
        pixels = self._pixels(line)
        width = max(1, round(width_mm / self.sheet.column_mm * self.scale))
        for shift in self._shifts(pixels, width):
            self.pen.line((pixels + np.array((shift, 0))).ravel().tolist(), fill=255, width=width, joint="curve")

    def coverage(self) -> NDArray[np.float32]:
        """Share of every dot that is covered, shape (rows, columns)."""
        reduced = np.asarray(self.image.reduce(self.scale))
        return reduced * np.float32(1 / 255)

    def _pixels(self, points: NDArray[np.float64]) -> NDArray[np.int64]:
        # A corner that stands between two points must not fall to either side by a rounding error.
        return np.floor(points * self.scale + 1e-6).astype(np.int64)

    def _shifts(self, pixels: NDArray[np.int64], margin: int = 0) -> list[int]:
        """The whole turns by which the shape, with a margin around it, must be moved to meet the canvas, in pixels."""
        west, east = int(pixels[:, 0].min()) - margin, int(pixels[:, 0].max()) + margin
        return [turn * self.turn for turn in range(-(east // self.turn), -(west // self.turn) + 1)]


def hatching(sheet: Sheet, spacing_mm: float, line_mm: float) -> NDArray[np.bool_]:
    """Diagonal lines that close on themselves, bool of shape (rows, columns).

    The distance between two lines along the paper is the nearest to ``spacing_mm`` of which a turn holds a whole
    number."""
    lines = max(1, round(sheet.width_mm / spacing_mm))
    along = np.arange(sheet.columns) * (lines / sheet.columns)
    down = np.arange(sheet.rows) * (sheet.row_mm / spacing_mm)
    return np.asarray((along + down[:, None]) % 1.0 < line_mm / spacing_mm)
