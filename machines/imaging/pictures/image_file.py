"""Images from strangers: PNG, JPEG and TIFF into linear light, or refused by name."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageOps, UnidentifiedImageError

from machines.errors import InputError
from machines.imaging.pictures.image_pieces import check_pieces

LARGEST_IMAGE_BYTES = 128_000_000
# About 600 mm at 600 dpi by 200 mm; more is finer than any paper shows. Pillow takes more for a bomb by itself.
MOST_PIXELS = 80_000_000
_FORMATS = ("PNG", "JPEG", "TIFF")
_SIXTEEN_BITS = ("I;16", "I;16L", "I;16B", "I;16N")
# What Pillow turns into red, green and blue by itself. CMYK is turned without a colour profile.
_EIGHT_BITS = ("1", "L", "LA", "La", "P", "PA", "RGB", "RGBA", "RGBa", "RGBX", "CMYK", "YCbCr")
# Shares of the primaries in luminance (ITU-R BT.709, from memory).
_LUMINANCE = np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)
# Along a side; what it costs to scale one down grows with it. A turn of 600 mm at 600 dpi has 14,000.
LONGEST_SIDE = 500_000
# So many are made light at a time, each by way of some thirty bytes.
_STRIP_PIXELS = 500_000


def read_light(data: bytes) -> NDArray[np.float32]:
    """Read an image as the light that it reflects.

    Transparent places show white paper. The orientation that a camera wrote into the file is applied. Values are
    taken to be sRGB; a colour profile in the file is not used.

    At its height this takes eight bytes a pixel besides the file, and some 20 MB: 660 MB for the largest image. In
    strips it is half of that (`light_in_strips`).

    Returns:
        Luminance in linear light, 0 black to 1 white, float32 of shape (height, width).

    Raises:
        InputError: not a whole PNG, JPEG or TIFF of a mode that can be printed, or too large.
    """
    with light_in_strips(data) as read:
        light = np.empty((read.height, read.width), dtype=np.float32)
        for top, strip in read.strips:
            light[top : top + len(strip)] = strip
        return light


@dataclass(frozen=True)
class LightStrips:
    """The light of an image, from the top down.

    Attributes:
        width, height: in pixels.
        strips: the first row of each, and its light; see `read_light`.
    """

    width: int
    height: int
    strips: Iterator[tuple[int, NDArray[np.float32]]]


@contextmanager
def light_in_strips(data: bytes) -> Iterator[LightStrips]:
    """Read an image, see `read_light`; at its height this takes four bytes a pixel besides the file, and some 20 MB."""
    with _opened(data) as image:
        yield LightStrips(image.width, image.height, _light(image))


def check_image(data: bytes) -> None:
    """Raise the InputError that reading the image would."""
    with _opened(data):
        pass


@contextmanager
def _opened(data: bytes) -> Iterator[Image.Image]:
    """The image of a file, decoded and upright."""
    if len(data) > LARGEST_IMAGE_BYTES:
        raise InputError("", f"{len(data):,} bytes", f"give a file of at most {LARGEST_IMAGE_BYTES:,} bytes")
    check_pieces(data)
    try:
        with Image.open(io.BytesIO(data), formats=_FORMATS) as image:
            _check(image)
            image.load()
            ImageOps.exif_transpose(image, in_place=True)
            yield image
    except InputError:
        raise
    except (Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        raise InputError("", "far too many pixels", f"give at most {MOST_PIXELS:,} pixels") from error
    except UnidentifiedImageError as error:
        raise InputError("", "not a whole PNG, JPEG or TIFF", "give a file of one of these kinds") from error
    except Exception as error:  # a decoder that is fed damaged bytes raises whatever its author did not think of
        raise InputError("", f"not a whole PNG, JPEG or TIFF ({error})", "save it again as one of them") from error


def _check(image: Image.Image) -> None:
    """Refuse what cannot be printed before a pixel of it is decoded."""
    if image.width * image.height > MOST_PIXELS:
        size = f"{image.width:,} by {image.height:,} pixels"
        raise InputError("", size, f"give at most {MOST_PIXELS:,} pixels: scale it down")
    if max(image.size) > LONGEST_SIDE:
        size = f"{image.width:,} by {image.height:,} pixels"
        raise InputError("", size, f"give at most {LONGEST_SIDE:,} along a side: scale it down")
    if _has_another(image):
        raise InputError("", "more than one page or frame", "give a file with one image")
    if image.mode not in _EIGHT_BITS + _SIXTEEN_BITS:
        kinds = "grey, colour, palette or CMYK of 8 bits, or grey of 16"
        raise InputError("", f"mode {image.mode} cannot be printed", f"give {kinds}")


def _has_another(image: Image.Image) -> bool:
    """Whether a second page or frame stands in the file. Counting them would read the list of all to its end.

    What a phone keeps beside a photograph, such as its depths, is none."""
    if image.format == "MPO":
        return False
    try:
        image.seek(1)
    except EOFError:
        return False
    return True


def _light(image: Image.Image) -> Iterator[tuple[int, NDArray[np.float32]]]:
    for top, strip in _strips(image):
        yield top, _sixteen(strip) if strip.mode in _SIXTEEN_BITS else _eight(strip)


def _strips(image: Image.Image) -> Iterator[tuple[int, Image.Image]]:
    """The image in strips, so that only its eight-bit pixels are ever held whole."""
    rows = max(1, _STRIP_PIXELS // image.width)
    for top in range(0, image.height, rows):
        yield top, image.crop((0, top, image.width, min(top + rows, image.height)))


def _sixteen(strip: Image.Image) -> NDArray[np.float32]:
    return decoded(np.asarray(strip).astype(np.float32) / np.float32(65535))


def _eight(strip: Image.Image) -> NDArray[np.float32]:
    if strip.has_transparency_data or strip.mode in ("LA", "La", "PA", "RGBa"):
        return _over_white(np.asarray(strip.convert("RGBA")))
    return np.asarray(_light_of_bytes()[np.asarray(strip.convert("RGB"))] @ _LUMINANCE)


def _over_white(pixels: NDArray[np.uint8]) -> NDArray[np.float32]:
    opacity = pixels[..., 3] / np.float32(255)
    return np.asarray(1 - opacity + opacity * (_light_of_bytes()[pixels[..., :3]] @ _LUMINANCE))


@cache
def _light_of_bytes() -> NDArray[np.float32]:
    return decoded(np.linspace(0.0, 1.0, 256, dtype=np.float32))


def decoded(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """sRGB values 0 to 1 to linear light 0 to 1 (IEC 61966-2-1)."""
    curved = ((values + np.float32(0.055)) / np.float32(1.055)) ** np.float32(2.4)
    return np.where(values <= 0.04045, values / np.float32(12.92), curved).astype(np.float32)
