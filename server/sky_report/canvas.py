"""A sheet to draw on, that becomes SVG or PNG: the few shapes that a picture of a year needs.

Lengths are in pixels from the top left; colours are #rrggbb; text is placed by its baseline.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from html import escape
from io import BytesIO
from typing import Literal, Protocol

from PIL import Image, ImageDraw, ImageFont

Point = tuple[float, float]
Anchor = Literal["start", "middle", "end"]


class Canvas(Protocol):
    """What can be drawn."""

    def rectangles(
        self, corners: Iterable[tuple[float, float, float, float]], colour: str, opacity: float = 1.0
    ) -> None:
        """Filled rectangles: left, top, right, bottom."""

    def polygon(self, points: Sequence[Point], colour: str) -> None:
        """A filled polygon."""

    def line(self, points: Sequence[Point], colour: str, width: float = 1.0, opacity: float = 1.0) -> None:
        """A line through points."""

    def circle(self, centre: Point, radius: float, colour: str) -> None:
        """A filled circle."""

    def text(self, at: Point, text: str, size: float, colour: str, anchor: Anchor = "start") -> None:
        """A line of text."""


@dataclass
class SvgCanvas:
    """Draws SVG 1.1."""

    width: int
    height: int
    title: str
    _shapes: list[str] = field(default_factory=list)

    def rectangles(
        self, corners: Iterable[tuple[float, float, float, float]], colour: str, opacity: float = 1.0
    ) -> None:
        """One path for all of them."""
        path = "".join(
            f"M{left:.2f} {top:.2f}H{right:.2f}V{bottom:.2f}H{left:.2f}Z" for left, top, right, bottom in corners
        )
        if path:
            self._shapes.append(f'<path d="{path}" fill="{colour}"{_opacity("fill-opacity", opacity)}/>')

    def polygon(self, points: Sequence[Point], colour: str) -> None:
        """A filled polygon."""
        self._shapes.append(f'<polygon points="{_points(points)}" fill="{colour}"/>')

    def line(self, points: Sequence[Point], colour: str, width: float = 1.0, opacity: float = 1.0) -> None:
        """A line through points."""
        self._shapes.append(
            f'<polyline points="{_points(points)}" fill="none" stroke="{colour}" stroke-width="{width:g}"'
            f' stroke-linejoin="round"{_opacity("stroke-opacity", opacity)}/>'
        )

    def circle(self, centre: Point, radius: float, colour: str) -> None:
        """A filled circle."""
        self._shapes.append(f'<circle cx="{centre[0]:.2f}" cy="{centre[1]:.2f}" r="{radius:g}" fill="{colour}"/>')

    def text(self, at: Point, text: str, size: float, colour: str, anchor: Anchor = "start") -> None:
        """A line of text."""
        self._shapes.append(
            f'<text x="{at[0]:.2f}" y="{at[1]:.2f}" font-size="{size:g}" fill="{colour}" text-anchor="{anchor}">'
            f"{escape(text)}</text>"
        )

    def encode(self) -> bytes:
        """The picture as an SVG file."""
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width} {self.height}" width="{self.width}"'
            f' height="{self.height}" font-family="Helvetica, Arial, sans-serif" role="img">'
        )
        return "\n".join([head, f"<title>{escape(self.title)}</title>", *self._shapes, "</svg>\n"]).encode()


def _points(points: Sequence[Point]) -> str:
    return " ".join(f"{x:.2f},{y:.2f}" for x, y in points)


def _opacity(name: str, opacity: float) -> str:
    return "" if opacity >= 1.0 else f' {name}="{opacity:.3f}"'


class PngCanvas:
    """Draws with Pillow at three times the size, which smooths the edges when it is made small again."""

    _SCALE = 3

    def __init__(self, width: int, height: int) -> None:
        self._size = (width, height)
        self._image = Image.new("RGB", (width * self._SCALE, height * self._SCALE), "#ffffff")
        self._draw = ImageDraw.Draw(self._image, "RGBA")

    def rectangles(
        self, corners: Iterable[tuple[float, float, float, float]], colour: str, opacity: float = 1.0
    ) -> None:
        """Filled rectangles."""
        for left, top, right, bottom in corners:
            box = [round(each * self._SCALE) for each in (left, top, right, bottom)]
            if box[2] > box[0] and box[3] > box[1]:
                # Pillow's rectangles include their last row and column.
                self._draw.rectangle((box[0], box[1], box[2] - 1, box[3] - 1), fill=_rgba(colour, opacity))

    def polygon(self, points: Sequence[Point], colour: str) -> None:
        """A filled polygon."""
        self._draw.polygon(self._scaled(points), fill=colour)

    def line(self, points: Sequence[Point], colour: str, width: float = 1.0, opacity: float = 1.0) -> None:
        """A line through points."""
        stroke = max(1, round(width * self._SCALE))
        self._draw.line(self._scaled(points), fill=_rgba(colour, opacity), width=stroke, joint="curve")

    def circle(self, centre: Point, radius: float, colour: str) -> None:
        """A filled circle."""
        x, y = centre
        box = self._scaled([(x - radius, y - radius), (x + radius, y + radius)])
        self._draw.ellipse(box, fill=colour)

    def text(self, at: Point, text: str, size: float, colour: str, anchor: Anchor = "start") -> None:
        """A line of text, in the typeface that comes with Pillow."""
        font = ImageFont.load_default(size * self._SCALE)
        place = {"start": "ls", "middle": "ms", "end": "rs"}[anchor]
        self._draw.text(self._scaled([at])[0], text, fill=colour, font=font, anchor=place)

    def encode(self) -> bytes:
        """The picture as a PNG file."""
        file = BytesIO()
        self._image.resize(self._size, Image.Resampling.LANCZOS).save(file, "PNG", optimize=True)
        return file.getvalue()

    def _scaled(self, points: Sequence[Point]) -> list[Point]:
        return [(x * self._SCALE, y * self._SCALE) for x, y in points]


def _rgba(colour: str, opacity: float) -> str:
    return f"{colour}{round(255 * opacity):02x}"
