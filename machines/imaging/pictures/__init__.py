"""What can be printed. Each picture draws one turn, as continuous tone, from numbers it is given.

A tone is a float32 array of shape (dots across, columns per turn): ink coverage in linear light, 0 paper to 1 solid.
Row 0 is the upper edge as a viewer sees it, column c is phase ``c / columns``, and column 0 follows the last one.

    picture = from_json({"kind": "map", "projection": "mercator"})
    picture.check_upload(None)
    tone = draw(picture, SkyNumbers(), columns=6000, rows=2400, width_mm=508.0, height_mm=203.2)

A picture with ``changes_with_turn`` has one plate a turn; any other has one for all.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from machines.errors import InputError
from machines.imaging.pictures.daylight import DaylightMap, Twilights, YearOfDaylight
from machines.imaging.pictures.image import WrappedImage, seam_visibility
from machines.imaging.pictures.land import LandPicture
from machines.imaging.pictures.moon import MoonDisc
from machines.imaging.pictures.sheet import Sheet, Travel
from machines.imaging.pictures.sky import SkyNumbers
from machines.imaging.pictures.stars import StarBelt, read_stars
from machines.imaging.pictures.thumbnail import thumbnail_png
from machines.imaging.pieces import Piece
from machines.serialization import structure, unstructure

__all__ = [
    "PICTURE_KINDS",
    "DaylightMap",
    "LandPicture",
    "MoonDisc",
    "Picture",
    "Sheet",
    "SkyNumbers",
    "StarBelt",
    "Twilights",
    "WrappedImage",
    "YearOfDaylight",
    "as_json",
    "draw",
    "from_json",
    "pieces",
    "read_stars",
    "seam_visibility",
    "thumbnail_png",
]

Picture = LandPicture | StarBelt | MoonDisc | YearOfDaylight | DaylightMap | WrappedImage

PICTURE_KINDS: dict[str, type[Picture]] = {
    "map": LandPicture,
    "stars": StarBelt,
    "moon": MoonDisc,
    "year-of-daylight": YearOfDaylight,
    "daylight-map": DaylightMap,
    "image": WrappedImage,
}


def from_json(data: Any) -> Picture:
    """Read a picture's parameters, tagged by ``kind``.

    Raises:
        InputError: names the field, what is wrong with it and what would be right.
    """
    kind = data.get("kind") if isinstance(data, dict) else None
    if not isinstance(kind, str) or kind not in PICTURE_KINDS:
        raise InputError("kind", f"{kind!r} is no kind of picture", "give one of: " + ", ".join(PICTURE_KINDS))
    return structure(data, PICTURE_KINDS[kind])


def as_json(picture: Picture) -> dict[str, Any]:
    """A picture's parameters as the API carries them."""
    data: dict[str, Any] = unstructure(picture)
    return data


def draw(
    picture: Picture,
    sky: SkyNumbers,
    columns: int,
    rows: int,
    width_mm: float,
    height_mm: float,
    *,
    travel: Travel = "right",
    upload: bytes | None = None,
) -> NDArray[np.float32]:
    """One turn of a picture as a tone: four octets a dot. `dots_of` of `machines.imaging.halftone` needs it in no more
    than pieces.

    Args:
        picture: its parameters.
        sky: the numbers of the turn; a picture asks only for those that it needs.
        columns, rows: dots along and across the turn.
        width_mm, height_mm: length of the turn on the paper, and of a column across it.
        travel: which way the paper moves, so that what has a left and a right is seen as in the sky.
        upload: the file that was uploaded with the picture, where it needs one.

    Raises:
        InputError: the picture does not fit the paper, or lacks a number or its upload.
    """
    sheet = Sheet(columns=columns, rows=rows, width_mm=width_mm, height_mm=height_mm, travel=travel)
    return picture.draw(sky, sheet, upload)


def pieces(
    picture: Picture,
    sky: SkyNumbers,
    columns: int,
    rows: int,
    width_mm: float,
    height_mm: float,
    *,
    travel: Travel = "right",
    upload: bytes | None = None,
) -> Iterator[Piece]:
    """One turn of a picture as pieces of its tone, drawn as they are taken; see `draw`."""
    sheet = Sheet(columns=columns, rows=rows, width_mm=width_mm, height_mm=height_mm, travel=travel)
    return picture.pieces(sky, sheet, upload)
