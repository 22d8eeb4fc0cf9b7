"""Continuous tone to dots, with no seam where the turn closes on itself.

The default is a blue-noise mask on a torus: it has no seam by construction, each dot depends on nothing but its own
tone and place, a tone that is asked to be darker never prints lighter however much the dots gain, and it is the
fastest. Error diffusion keeps the mean of every small patch still better and draws edges and fine lines in a tint
sharper: it is for photographs. Ordered dots are a pattern that is meant to be seen, and line art is for what is black
and white already.

A diffusion settles dots one after the other, so a turn diffused from its first column to its last would show a seam
where the two meet: the pattern that arrives is not the one that departs. Here it runs through the closing as if there
were none:

1. Diffusion is warmed up over the columns *before* column 0, which are the turn's last ones. What it makes of them is
   what column 0 is diffused from.
2. When the turn comes round to those last columns again, their tone is blended into the dots that the warm-up made of
   them, from all tone to all dots. The mean tone stays, as the dots have it too, and a tone that is itself all dots
   comes out as those dots: an error is a mean of errors, none of which exceeds half a dot.

So the last column meets the first exactly as it did in the warm-up, in the middle of a running diffusion.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from machines.imaging.diffusion import diffuse_round
from machines.imaging.dot_gain import ToneCurve
from machines.imaging.pieces import Piece
from machines.imaging.screens import threshold

Method = Literal["blue-noise", "diffusion", "ordered", "line-art"]

Tone = NDArray[np.float32]
Dots = NDArray[np.bool_]


def to_dots(tone: Tone, method: Method = "blue-noise", curve: ToneCurve | None = None) -> Dots:
    """The dots of one turn.

    Args:
        tone: ink coverage 0 to 1 in linear light, shape (rows, columns); column 0 follows the last one.
        method: how tones become dots.
        curve: of the machine's dot gain, which is undone; None prints the tone as it is. Line art has no tones.

    Returns:
        Bool of the same shape, True is a dot. Blank paper stays blank, and solid ink solid.
    """
    rows, columns = tone.shape
    return dots_of([Piece(0, tone)], rows, columns, method, curve)


def dots_of(
    pieces: Iterable[Piece], rows: int, columns: int, method: Method = "blue-noise", curve: ToneCurve | None = None
) -> Dots:
    """The dots of one turn whose tone comes in pieces, dot for dot those of the whole tone; see `to_dots`.

    Args:
        pieces: which make up the turn.
        rows, columns: of the turn.
        method, curve: see `to_dots`.
    """
    asked = (Piece(one.top, asked_of(one.tone, method, curve)) for one in pieces)
    if method == "diffusion":
        return diffuse_round(asked, rows, columns)
    dots = np.empty((rows, columns), dtype=np.bool_)
    for piece in asked:
        if method == "line-art":
            np.greater(piece.tone, 0.0, out=dots[piece.rows])
        else:
            threshold(piece, method, dots)
    return dots


def asked_of(tone: Tone, method: Method = "blue-noise", curve: ToneCurve | None = None) -> Tone:
    """The share of dots that is asked for where a picture has a tone; their mean is that of the dots. See `to_dots`."""
    if method == "line-art":
        return np.asarray(tone >= 0.5, dtype=np.float32)
    return tone if curve is None else curve.corrected(tone)
