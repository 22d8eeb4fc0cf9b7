"""Small pictures of plates and of paper, as a viewer in front of the machine sees them.

The paper moves to the right or to the left past the head, so the newest column is at one end of it: on paper that moves
right, later columns stand further left, and a plate is shown mirrored.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageOps

from machines.model.profile import Profile
from scheduling.log.models import Machine
from scheduling.paper.printed_paper import Length, Look, dots_on, laid_on, length_at, seams
from scheduling.queries.runs import machine_profile
from server import wiring
from server.heavy import in_turn

WIDTH_PX, HIGHEST_PX = 960, 2400
INK, PAPER, GAP = (29, 39, 51), (253, 251, 246), (201, 122, 96)
HATCH_PX, SEAM_PX = 6, 4


def height_px(profile: Profile) -> int:
    """How high a turn is drawn: in proportion, as far as a page has room."""
    return min(max(24, round(WIDTH_PX * profile.print_width_mm / profile.mm_per_turn)), HIGHEST_PX)


@lru_cache(maxsize=64)
@in_turn
def plate_picture(digest: str, height: int, mirrored: bool) -> bytes:
    """A whole turn as PNG.

    Raises:
        PlateGone: no such plate.
        Busy: too many pictures are being made.
    """
    dots = wiring.plates().get(digest).dots
    return png_of(_ink_on_paper(_shrunk(dots[:, ::-1] if mirrored else dots, (WIDTH_PX, height))))


@dataclass(frozen=True)
class Paper:
    """How much of a machine's paper is shown, and how large.

    Attributes:
        columns: the last so many.
        size: of the picture, pixels.
        colours: fewer than there are make a small file.
    """

    columns: int
    size: tuple[int, int]
    colours: int | None = None


def last_turn(profile: Profile) -> Paper:
    """The last turn's length."""
    return Paper(profile.columns_per_turn, (WIDTH_PX, height_px(profile)))


def paper_picture(machine: Machine, wanted: Callable[[Profile], Paper] = last_turn) -> DrawnPaper | None:
    """The last of a machine's paper; None before anything is printed.

    Blank paper between columns is hatched, a line stands where columns were left out and the paper did not wait for
    them, and where there was no paper yet the picture is clear.

    Raises:
        PlateGone: a plate is gone.
        Busy: too many pictures are being made.
    """
    paper = wanted(machine_profile(profile=machine.profile_id))
    length = length_at(machine, None, paper.columns)
    if length is None:
        return None
    return DrawnPaper(drawn(_Shown(length.look(), paper, length)), max(one.version for one in length.stretches))


@dataclass(frozen=True)
class DrawnPaper:
    """A picture of paper, as PNG, and the version of the newest report that is in it."""

    png: bytes
    version: int


@dataclass(frozen=True)
class _Shown:
    """A length of paper, as good as any other that looks the same."""

    look: Look
    paper: Paper
    length: Length = field(compare=False)


@lru_cache(maxsize=256)
@in_turn
def drawn(shown: _Shown) -> bytes:
    """Every page that is open asks for it again, and it changes only with the next report."""
    length, profile, columns, size = shown.length, shown.length.profile, shown.paper.columns, shown.paper.size
    before = columns - length.columns
    dots = np.pad(dots_on(length, wiring.plates()), ((0, 0), (before, 0)))
    picture = _ink_on_paper(_shrunk(dots, size))
    picture.paste(_hatch(size), mask=_mask(np.pad(~laid_on(length), (before, 0)), size))
    pen = ImageDraw.Draw(picture)
    for seam in seams(length):
        x = round(size[0] * (seam - length.start + before) / columns)
        pen.line([(x, 0), (x, size[1])], fill=GAP, width=SEAM_PX)
    picture.putalpha(_mask(np.arange(columns) >= before, size))
    if profile.travel == "right":
        picture = ImageOps.mirror(picture)
    return png_of(picture if shown.paper.colours is None else picture.quantize(shown.paper.colours))


def _shrunk(dots: NDArray[np.bool_], size: tuple[int, int]) -> Image.Image:
    """Coverage of ink as a grey image, 255 for none."""
    grey = Image.fromarray(np.where(dots, np.uint8(0), np.uint8(255)))
    return grey.resize(size, Image.Resampling.BOX)


def _ink_on_paper(grey: Image.Image) -> Image.Image:
    ink, paper = (Image.new("RGB", grey.size, colour) for colour in (INK, PAPER))
    return Image.composite(paper, ink, grey)


def _mask(columns: NDArray[np.bool_], size: tuple[int, int]) -> Image.Image:
    row = Image.fromarray(np.where(columns, 255, 0).astype(np.uint8)[np.newaxis, :])
    return row.resize(size, Image.Resampling.BOX)


def _hatch(size: tuple[int, int]) -> Image.Image:
    x, y = np.meshgrid(np.arange(size[0]), np.arange(size[1]))
    on_line = ((x + y) % HATCH_PX < 2)[:, :, np.newaxis]
    return Image.fromarray(np.where(on_line, np.array(GAP), np.array(PAPER)).astype(np.uint8))


def png_of(picture: Image.Image) -> bytes:
    """A picture as a PNG file."""
    stream = io.BytesIO()
    picture.save(stream, "PNG")
    return stream.getvalue()
