"""Error diffusion on the drum, run once right round: the dots of a turn whose tone comes in pieces.

A diffusion settles dots one after the other, so it cannot be done piece by piece. What is held is an octet a dot for
the levels and one for what becomes of them, never the tone itself.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from machines.imaging.pieces import Piece
from machines.imaging.screens import blue_noise

# Columns over which a diffusion forgets that it began from nothing, and over which it is led back into its own
# beginning.
_WARM_UP = 128
_BLEND = 128
# Noise added to a tone before it is diffused: how many kinds, and its range over the distance to blank or solid.
_NOISES = 64
_NOISE_RANGE = 1.4


def diffuse_round(pieces: Iterable[Piece], rows: int, columns: int) -> NDArray[np.bool_]:
    """Dots of a turn, by `machines.imaging.halftone`. A line of diffusion is a column; it runs on in their order.

    Args:
        pieces: of what is asked for, which they make up.
        rows, columns: of the turn.
    """
    warm_up, blend = min(_WARM_UP, columns), min(_BLEND, columns)
    ahead = warm_up + blend
    lines = Image.new("L", (rows, ahead + columns))
    certain = []
    for piece in pieces:
        lines.paste(Image.fromarray(np.ascontiguousarray(_levels(piece).T)), (piece.top, ahead))
        certain.append(_Certain.of(piece))
    last = np.asarray(lines.crop((0, ahead + columns - min(ahead, columns), rows, ahead + columns)))
    before = last[np.arange(-ahead, 0) % len(last)]
    lines.paste(Image.fromarray(before), (0, 0))
    dots_before = np.asarray(_diffused(Image.fromarray(before)))[warm_up:]
    weight = np.linspace(0.0, 1.0, blend + 1, dtype=np.float32)[1:, None]
    led_back = last[-blend:] * (1 - weight) + dots_before * (255 * weight)
    lines.paste(Image.fromarray(np.rint(led_back).astype(np.uint8)), (0, ahead + columns - blend))
    lines = _diffused(lines)
    dots = np.empty((rows, columns), dtype=np.bool_)
    for part in certain:
        part.put(lines, ahead, dots)
    return dots


@dataclass(frozen=True, eq=False)
class _Certain:
    """What a piece says of its dots whatever the diffusion makes of them, eight to an octet."""

    rows: slice
    inked: NDArray[np.uint8]
    solid: NDArray[np.uint8]

    @classmethod
    def of(cls, piece: Piece) -> _Certain:
        return cls(piece.rows, np.packbits(piece.tone > 0.0, axis=1), np.packbits(piece.tone >= 1.0, axis=1))

    def put(self, lines: Image.Image, ahead: int, dots: NDArray[np.bool_]) -> None:
        """Take the dots of the piece from the diffused lines, but for those that are certain."""
        here = dots[self.rows]
        here[...] = np.asarray(lines.crop((self.rows.start, ahead, self.rows.stop, lines.height))).T
        here &= np.unpackbits(self.inked, axis=1, count=dots.shape[1]).view(np.bool_)
        here |= np.unpackbits(self.solid, axis=1, count=dots.shape[1]).view(np.bool_)


def _levels(piece: Piece) -> NDArray[np.uint8]:
    """Tones as whole levels 0 to 255, with a noise that breaks up the diffusion's own patterns.

    Without it half tone comes out as a chequerboard, in which every dot stands alone: it gains more than its
    neighbours in tone and prints darker than some that are darker. The noise has no mean, and there is none where the
    tone is blank or solid.
    """
    levels = np.rint(piece.tone * np.float32(255)).astype(np.uint8)
    noise = (blue_noise() // (blue_noise().size // _NOISES)).astype(np.uint16).T
    rows, columns = levels.shape
    here = np.roll(noise, -piece.top, axis=0)
    index = np.tile(here, (-(-rows // noise.shape[0]), -(-columns // noise.shape[1])))[:rows, :columns].copy()
    index += levels.astype(np.uint16) * np.uint16(_NOISES)
    return np.asarray(np.take(_noisy_levels(), index))


@cache
def _noisy_levels() -> NDArray[np.uint8]:
    """The level with each noise, at ``level * _NOISES + noise``."""
    level = np.arange(256.0)[:, None]
    noise = (np.arange(_NOISES) + 0.5) / _NOISES - 0.5
    noisy = level + noise * _NOISE_RANGE * np.minimum(level, 255 - level)
    return np.asarray(np.rint(noisy), dtype=np.uint8).ravel()


def _diffused(lines: Image.Image) -> Image.Image:
    """Floyd-Steinberg diffusion along each line and into the next, by Pillow.

    Pillow clips a value with its error to what a level can hold, which moves mean tones by up to 0.3%."""
    return lines.convert("1")
