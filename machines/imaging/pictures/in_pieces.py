"""What every kind of picture has: it draws a turn piece by piece."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from machines.imaging.pictures.sheet import Sheet
from machines.imaging.pictures.sky import SkyNumbers
from machines.imaging.pieces import Piece, whole


class InPieces(ABC):
    """A kind of picture."""

    @abstractmethod
    def pieces(self, sky: SkyNumbers, sheet: Sheet, upload: bytes | None = None) -> Iterator[Piece]:
        """The tone of one turn, in pieces that make it up. It is the same to the last bit however it is divided."""

    def draw(self, sky: SkyNumbers, sheet: Sheet, upload: bytes | None = None) -> NDArray[np.float32]:
        """The tone of one turn, whole: four octets a dot.

        Raises:
            InputError: as `pieces` does.
        """
        return whole(self.pieces(sky, sheet, upload), sheet.rows, sheet.columns)
