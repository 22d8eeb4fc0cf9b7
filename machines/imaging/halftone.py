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

from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from machines.imaging.dot_gain import ToneCurve
from machines.imaging.screens import blue_noise, threshold

Method = Literal["blue-noise", "diffusion", "ordered", "line-art"]

Tone = NDArray[np.float32]
Dots = NDArray[np.bool_]

# Columns over which a diffusion forgets that it began from nothing, and over which it is led back into its own
# beginning.
_WARM_UP = 128
_BLEND = 128
# Noise added to a tone before it is diffused: how many kinds, and its range over the distance to blank or solid.
_NOISES = 64
_NOISE_RANGE = 1.4


def to_dots(tone: Tone, method: Method = "blue-noise", curve: ToneCurve | None = None) -> Dots:
    """The dots of one turn.

    Args:
        tone: ink coverage 0 to 1 in linear light, shape (rows, columns); column 0 follows the last one.
        method: how tones become dots.
        curve: of the machine's dot gain, which is undone; None prints the tone as it is. Line art has no tones.

    Returns:
        Bool of the same shape, True is a dot. Blank paper stays blank, and solid ink solid.
    """
    tone = asked_of(tone, method, curve)
    if method == "line-art":
        return np.asarray(tone > 0.0)
    if method != "diffusion":
        return threshold(tone, method)
    dots = _diffuse_round(tone)
    dots &= tone > 0.0
    dots |= tone >= 1.0
    return dots


def asked_of(tone: Tone, method: Method = "blue-noise", curve: ToneCurve | None = None) -> Tone:
    """The share of dots that is asked for where a picture has a tone; their mean is that of the dots. See `to_dots`."""
    if method == "line-art":
        return np.asarray(tone >= 0.5, dtype=np.float32)
    return tone if curve is None else curve.corrected(tone)


def _diffuse_round(tone: Tone) -> Dots:
    """Error diffusion on the drum. A line of diffusion is a column; it runs on in the order of columns."""
    columns = tone.shape[1]
    warm_up, blend = min(_WARM_UP, columns), min(_BLEND, columns)
    lines = _levels(tone.T)
    before = lines[np.arange(-warm_up - blend, 0) % columns]
    dots_before = _diffuse(before)[warm_up:]
    weight = np.linspace(0.0, 1.0, blend + 1, dtype=np.float32)[1:, None]
    led_back = lines[-blend:] * (1 - weight) + dots_before * (255 * weight)
    lines[-blend:] = np.rint(led_back).astype(np.uint8)
    return np.array(_diffuse(np.concatenate([before, lines]))[warm_up + blend :].T, order="C")


def _levels(tone: Tone) -> NDArray[np.uint8]:
    """Tones as whole levels 0 to 255, with a noise that breaks up the diffusion's own patterns.

    Without it half tone comes out as a chequerboard, in which every dot stands alone: it gains more than its
    neighbours in tone and prints darker than some that are darker. The noise has no mean, and there is none where the
    tone is blank or solid.
    """
    levels = np.rint(tone * np.float32(255)).astype(np.uint8)
    noise = (blue_noise() // (blue_noise().size // _NOISES)).astype(np.uint16)
    lines, places = levels.shape
    index = np.tile(noise, (-(-lines // noise.shape[0]), -(-places // noise.shape[1])))[:lines, :places].copy()
    index += levels.astype(np.uint16) * np.uint16(_NOISES)
    return np.asarray(np.take(_noisy_levels(), index))


@cache
def _noisy_levels() -> NDArray[np.uint8]:
    """The level with each noise, at ``level * _NOISES + noise``."""
    level = np.arange(256.0)[:, None]
    noise = (np.arange(_NOISES) + 0.5) / _NOISES - 0.5
    noisy = level + noise * _NOISE_RANGE * np.minimum(level, 255 - level)
    return np.asarray(np.rint(noisy), dtype=np.uint8).ravel()


def _diffuse(levels: NDArray[np.uint8]) -> Dots:
    """Floyd-Steinberg diffusion along each line and into the next, by Pillow.

    Pillow clips a value with its error to what a level can hold, which moves mean tones by up to 0.3%."""
    return np.asarray(Image.fromarray(levels).convert("1"))
