"""Words on a picture, to be read on the paper whichever way it moves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from machines.imaging.pictures.sheet import Sheet
from machines.imaging.pieces import Piece

# Letters are drawn this high, in pixels, and scaled to their size on paper.
_DRAWN_PX = 96


@dataclass(frozen=True, eq=False)
class Line:
    """A line of text, drawn as large as it stands on a sheet.

    Attributes:
        sheet: which one.
        letters: 0 to 255, shape (rows, columns), as they stand on the sheet.
    """

    sheet: Sheet
    letters: NDArray[np.uint8]

    @classmethod
    def of(cls, text: str, sheet: Sheet, height_mm: float) -> Line:
        """Draw a line.

        Args:
            text: one line.
            sheet: on which it will stand.
            height_mm: of the font, from ascender to descender; a line too long for the turn is made smaller.
        """
        drawn = _drawn(text)
        height_mm = min(height_mm, 0.9 * sheet.width_mm * drawn.height / drawn.width)
        rows = max(1, round(height_mm / sheet.row_mm))
        columns = max(1, round(height_mm * drawn.width / drawn.height / sheet.column_mm))
        letters = np.asarray(drawn.resize((columns, rows), Image.Resampling.BOX))
        return cls(sheet, letters[:, ::-1] if sheet.travel == "right" else letters)

    def write(self, piece: Piece, along_mm: float, down_mm: float, ink: float) -> None:
        """Write it on a piece; where something darker is drawn already, that stays.

        Args:
            piece: changed in place.
            along_mm, down_mm: the middle of the line, from phase 0 and from the upper edge.
            ink: tone of the letters.
        """
        rows, columns = self.letters.shape
        top, left = round(down_mm / self.sheet.row_mm - rows / 2), round(along_mm / self.sheet.column_mm - columns / 2)
        shown = np.arange(max(0, piece.top - top), min(rows, piece.rows.stop - top))
        place = np.ix_(shown + top - piece.top, np.arange(left, left + columns) % self.sheet.columns)
        piece.tone[place] = np.maximum(piece.tone[place], self.letters[shown] * np.float32(ink / 255))


def _drawn(text: str) -> Image.Image:
    font = ImageFont.load_default(_DRAWN_PX * 0.75)
    length = ImageDraw.Draw(Image.new("L", (1, 1))).textlength(text, font)
    image = Image.new("L", (max(1, round(length)) + 8, _DRAWN_PX))
    ImageDraw.Draw(image).text((4, _DRAWN_PX / 2), text, fill=255, font=font, anchor="lm")
    return image
