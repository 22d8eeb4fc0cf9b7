"""Polygons and lines with smooth edges, on paper that closes on itself."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from machines.pictures.sheet import Sheet


class Canvas:
    """Black and white at several points to a dot, closed on itself along the columns."""

    def __init__(self, sheet: Sheet) -> None:
        self.sheet = sheet
        self.scale = sheet.oversampling
        self.turn = sheet.columns * self.scale
        self.image = Image.new("L", (self.turn, sheet.rows * self.scale))
        self.pen = ImageDraw.Draw(self.image)

    def fill(self, rings: list[NDArray[np.float64]]) -> None:
        """Fill a polygon with holes, its rings in columns and rows.

        What was drawn before shows through the holes, such as an island in a lake."""
        holes = [self._under(self._pixels(hole)) for hole in rings[1:]]
        self._polygon(self._pixels(rings[0]))
        for patches in holes:
            for corner, before, stencil in patches:
                self.image.paste(before, corner, stencil)

    def _polygon(self, pixels: NDArray[np.int64]) -> None:
        for shift in self._shifts(pixels):
            self.pen.polygon((pixels + np.array((shift, 0))).ravel().tolist(), fill=255)

    def _under(self, hole: NDArray[np.int64]) -> list[tuple[tuple[int, int], Image.Image, Image.Image]]:
        """What the canvas shows under a hole: corner, copy of the canvas, and stencil of the hole without its
        border."""
        patches = []
        for shift in self._shifts(hole):
            pixels = hole + np.array((shift, 0))
            left, top = np.maximum(pixels.min(axis=0), 0).tolist()
            right, bottom = np.minimum(pixels.max(axis=0) + 1, self.image.size).tolist()
            if left < right and top < bottom:
                stencil = Image.new("1", (right - left, bottom - top))
                ImageDraw.Draw(stencil).polygon((pixels - (left, top)).ravel().tolist(), fill=1, outline=0)
                patches.append(((left, top), self.image.crop((left, top, right, bottom)), stencil))
        return patches

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
