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
        """Fill a polygon with holes, its rings in columns and rows."""
        outer = self._pixels(rings[0])
        if len(rings) == 1:
            for shift in self._shifts(outer):
                self.pen.polygon((outer + np.array((shift, 0))).ravel().tolist(), fill=255)
            return
        # The holes must not erase what another polygon has drawn in them, such as an island in a lake.
        left, right = int(outer[:, 0].min()), int(outer[:, 0].max()) + 1
        top, bottom = max(0, int(outer[:, 1].min())), min(self.image.height, int(outer[:, 1].max()) + 1)
        if top >= bottom:
            return
        corner = np.array((left, top))
        stencil = Image.new("1", (right - left, bottom - top))
        pen = ImageDraw.Draw(stencil)
        pen.polygon((outer - corner).ravel().tolist(), fill=1)
        for hole in rings[1:]:
            for shift in (-self.turn, 0, self.turn):
                pen.polygon((self._pixels(hole) - corner + np.array((shift, 0))).ravel().tolist(), fill=0, outline=1)
        for shift in self._shifts(outer):
            self.image.paste(255, (left + shift, top), stencil)

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
