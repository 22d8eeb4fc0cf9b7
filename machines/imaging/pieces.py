"""A turn's tone, piece by piece: drawn whole it would take many times the room of its dots.

What a dot becomes does not depend on the pieces in which its tone came.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# Of a piece. What draws one takes some thirty octets for each, so that this is a tenth of the widest turns.
PIECE_DOTS = 2_000_000
# A piece has a whole number of these rows, where so many are not too long for one.
PIECE_ROWS = 64


@dataclass(frozen=True, eq=False)
class Piece:
    """Some rows of a turn's tone, right across it.

    Attributes:
        top: the first of them.
        tone: ink coverage, float32 of shape (rows, columns).
    """

    top: int
    tone: NDArray[np.float32]

    @property
    def rows(self) -> slice:
        """Which rows of the turn."""
        return slice(self.top, self.top + len(self.tone))


def bands(rows: int, columns: int) -> Iterator[tuple[int, int]]:
    """The rows of the pieces of a turn, from the first of each to behind its last."""
    step = max(1, PIECE_DOTS // columns)
    if step > PIECE_ROWS:
        step -= step % PIECE_ROWS
    for top in range(0, rows, step):
        yield top, min(top + step, rows)


def whole(pieces: Iterable[Piece], rows: int, columns: int) -> NDArray[np.float32]:
    """The tone that pieces make up."""
    tone = np.empty((rows, columns), dtype=np.float32)
    for piece in pieces:
        if piece.tone.shape == tone.shape:
            return piece.tone
        tone[piece.rows] = piece.tone
    return tone
