"""A small view of a picture, for a list: its tone, without dots."""

from __future__ import annotations

import io
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from machines.imaging.pictures.sheet import Sheet
from machines.imaging.pictures.sky import SkyNumbers
from machines.imaging.proof import encoded


class Drawable(Protocol):
    """What every kind of picture has."""

    def draw(self, sky: SkyNumbers, sheet: Sheet, upload: bytes | None = None) -> NDArray[np.float32]:
        """The tone of one turn."""


def thumbnail_png(
    picture: Drawable, sky: SkyNumbers, sheet: Sheet, width_px: int = 480, upload: bytes | None = None
) -> bytes:
    """One turn as a visitor sees it, scaled to a width in pixels, as a grey PNG in sRGB.

    A turn that is shorter than a quarter of the paper's width comes out narrower, so that none is higher than four
    times the width asked for.

    Raises:
        InputError: as the picture's own drawing does.
    """
    highest_px, slope = 4 * width_px, sheet.height_mm / sheet.width_mm
    width_px = max(2, min(width_px, round(highest_px / slope)))
    height_px = max(1, min(highest_px, round(width_px * slope)))
    small = Sheet(
        columns=width_px, rows=height_px, width_mm=sheet.width_mm, height_mm=sheet.height_mm, travel=sheet.travel
    )
    tone = picture.draw(sky, small, upload)
    seen = tone[:, ::-1] if sheet.travel == "right" else tone
    stream = io.BytesIO()
    Image.fromarray(np.rint(encoded(1.0 - seen) * 255).astype(np.uint8)).save(stream, "PNG", optimize=True)
    return stream.getvalue()
