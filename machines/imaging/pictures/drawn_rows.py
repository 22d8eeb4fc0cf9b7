"""Some rows of polygons and strokes, point for point as they would be in a drawing of all rows.

The library decides each row of points by itself, and lengthwise nothing is cut off that it did not cut off before. Only
at the end of an image may it decide otherwise, and it puts a rounded corner that begins above an image half a point
off: so much more is drawn on either side of the rows that are wanted that neither reaches them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

Box = tuple[int, int, int, int]  # left, top, right, bottom
Pixels = NDArray[np.int64]

# How far a line may reach beyond its points, further than half its width: the library rounds, and fills gaps at corners
# with lines of three points.
_BEYOND = 4


@dataclass(frozen=True, eq=False)
class Hole:
    """A hole of a polygon: its corners, and the turns by which it is moved, with its box on the canvas then."""

    pixels: Pixels
    places: Sequence[tuple[int, Box]]


@dataclass(frozen=True, eq=False)
class Area:
    """A filled polygon: its corners, the turns by which it is moved, its holes, and its first and its last row."""

    pixels: Pixels
    shifts: Sequence[int]
    holes: Sequence[Hole]
    top: int
    bottom: int

    def draw(self, strip: Strip) -> None:
        """Fill it; what the strip showed within its holes stays."""
        patches = [patch for hole in self.holes for patch in strip.under(hole)]
        for shift in self.shifts:
            strip.pen.polygon(_moved(self.pixels, shift, -strip.top).ravel().tolist(), fill=255)
        for corner, before, stencil in patches:
            strip.image.paste(before, corner, stencil)


@dataclass(frozen=True, eq=False)
class Stroke:
    """A line: its points, the turns by which it is moved, its width, and the first and the last row of its points."""

    pixels: Pixels
    shifts: Sequence[int]
    width: int
    top: int
    bottom: int

    @property
    def reach(self) -> int:
        """How far it may reach beyond its points."""
        return self.width // 2 + _BEYOND

    def draw(self, strip: Strip) -> None:
        """Draw what of it meets the strip."""
        for part in strip.parts(self.pixels, self.reach):
            for shift in self.shifts:
                points = _moved(part, shift, -strip.top).ravel().tolist()
                strip.pen.line(points, fill=255, width=self.width, joint="curve")


def drawn_rows(
    shapes: Sequence[Area | Stroke], size: tuple[int, int], top: int, end: int, scale: int
) -> NDArray[np.uint8]:
    """Shapes on blank paper, one after the other, as means of squares of points, 0 to 255.

    Args:
        shapes: in points.
        size: of the whole drawing, columns and rows of points.
        top, end: the rows of points that are wanted, from the first to behind the last; whole squares.
        scale: points to a square, along either axis.
    """
    width, height = size
    more = 2 * max((shape.reach for shape in shapes if isinstance(shape, Stroke)), default=1)
    strip = Strip(width, max(0, top - more), min(height, end + more))
    for shape in shapes:
        if shape.top - more < strip.end and shape.bottom + more >= strip.top:
            shape.draw(strip)
    return np.asarray(strip.image.reduce(scale, (0, top - strip.top, width, end - strip.top)))


class Strip:
    """Rows of a drawing, from the top one to behind the last."""

    def __init__(self, width: int, top: int, end: int) -> None:
        self.top, self.end = top, end
        self.image = Image.new("L", (width, end - top))
        self.pen = ImageDraw.Draw(self.image)

    def under(self, hole: Hole) -> Iterator[tuple[tuple[int, int], Image.Image, Image.Image]]:
        """What the strip shows under a hole: corner, copy of the strip, and stencil of the hole without its border."""
        for shift, (left, high, right, low) in hole.places:
            top, bottom = max(high, self.top), min(low, self.end)
            if top < bottom:
                stencil = Image.new("1", (right - left, bottom - top))
                pixels = _moved(hole.pixels, shift - left, -top)
                ImageDraw.Draw(stencil).polygon(pixels.ravel().tolist(), fill=1, outline=0)
                before = self.image.crop((left, top - self.top, right, bottom - self.top))
                yield (left, top - self.top), before, stencil

    def parts(self, line: Pixels, reach: int) -> Iterator[Pixels]:
        """The parts of a line that meet the strip, with what stands before and after, by which corners are rounded."""
        upper, lower = np.minimum(line[:-1, 1], line[1:, 1]), np.maximum(line[:-1, 1], line[1:, 1])
        meets = np.zeros(len(line) + 1, dtype=np.bool_)  # a step more at either end
        meets[1:-1] = (upper - reach < self.end) & (lower + reach >= self.top)
        wanted = meets.copy()
        wanted[1:] |= meets[:-1]
        wanted[:-1] |= meets[1:]
        wanted[[0, -1]] = False
        edges = np.flatnonzero(np.diff(wanted))
        for first, last in zip(edges[::2], edges[1::2], strict=True):
            yield line[first : last + 1]


def _moved(pixels: Pixels, along: int, down: int) -> Pixels:
    return np.asarray(pixels + np.array((along, down)))
