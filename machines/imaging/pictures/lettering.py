"""Words on a picture, to be read on the paper whichever way it moves."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from machines.imaging.pictures.sheet import Sheet

# Letters are drawn this high, in pixels, and scaled to their size on paper.
_DRAWN_PX = 96


def letter(
    tone: NDArray[np.float32], sheet: Sheet, text: str, along_mm: float, down_mm: float, height_mm: float, ink: float
) -> None:
    """Write a line of text centred on a place; where something darker is drawn already, that stays.

    Args:
        tone: changed in place.
        sheet: what it is a tone of.
        text: one line.
        along_mm, down_mm: the middle of the line, from phase 0 and from the upper edge.
        height_mm: of the font, from ascender to descender; a line too long for the turn is made smaller.
        ink: tone of the letters.
    """
    drawn = _drawn(text)
    height_mm = min(height_mm, 0.9 * sheet.width_mm * drawn.height / drawn.width)
    rows = max(1, round(height_mm / sheet.row_mm))
    columns = max(1, round(height_mm * drawn.width / drawn.height / sheet.column_mm))
    letters = np.asarray(drawn.resize((columns, rows), Image.Resampling.BOX)) * np.float32(ink / 255)
    if sheet.travel == "right":
        letters = letters[:, ::-1]
    top, left = round(down_mm / sheet.row_mm - rows / 2), round(along_mm / sheet.column_mm - columns / 2)
    shown = np.arange(max(0, -top), min(rows, sheet.rows - top))
    place = np.ix_(shown + top, np.arange(left, left + columns) % sheet.columns)
    tone[place] = np.maximum(tone[place], letters[shown])


def _drawn(text: str) -> Image.Image:
    font = ImageFont.load_default(_DRAWN_PX * 0.75)
    length = ImageDraw.Draw(Image.new("L", (1, 1))).textlength(text, font)
    image = Image.new("L", (max(1, round(length)) + 8, _DRAWN_PX))
    ImageDraw.Draw(image).text((4, _DRAWN_PX / 2), text, fill=255, font=font, anchor="lm")
    return image
