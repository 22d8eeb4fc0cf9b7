"""Small pictures of plates and of paper, as a viewer in front of the machine sees them.

The paper moves to the right or to the left past the head, so the newest column is at one end of it: on paper that moves
right, later columns stand further left, and a plate is shown mirrored.
"""

from __future__ import annotations

import io
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
    return _png(_ink_on_paper(_shrunk(dots[:, ::-1] if mirrored else dots, height)))


def paper_picture(machine: Machine) -> bytes | None:
    """The last turn's length of paper as PNG; None before anything is printed.

    Blank paper between columns is hatched, a line stands where columns were left out and the paper did not wait for
    them, and where there was no paper yet the picture is clear.

    Raises:
        PlateGone: a plate is gone.
        Busy: too many pictures are being made.
    """
    columns = machine_profile(profile=machine.profile_id).columns_per_turn
    length = length_at(machine, None, columns)
    return None if length is None else drawn(_Shown(length.look(), length))


@dataclass(frozen=True)
class _Shown:
    """A length of paper, as good as any other that looks the same."""

    look: Look
    length: Length = field(compare=False)


@lru_cache(maxsize=64)
@in_turn
def drawn(shown: _Shown) -> bytes:
    """Every page that is open asks for it again, and it changes only with the next report."""
    length, profile = shown.length, shown.length.profile
    columns, height = profile.columns_per_turn, height_px(profile)
    before = columns - length.columns
    dots = np.pad(dots_on(length, wiring.plates()), ((0, 0), (before, 0)))
    picture = _ink_on_paper(_shrunk(dots, height))
    picture.paste(_hatch(height), mask=_mask(np.pad(~laid_on(length), (before, 0)), height))
    pen = ImageDraw.Draw(picture)
    for seam in seams(length):
        x = round(WIDTH_PX * (seam - length.start + before) / columns)
        pen.line([(x, 0), (x, height)], fill=GAP, width=SEAM_PX)
    picture.putalpha(_mask(np.arange(columns) >= before, height))
    return _png(ImageOps.mirror(picture) if profile.travel == "right" else picture)


def _shrunk(dots: NDArray[np.bool_], height: int) -> Image.Image:
    """Coverage of ink as a grey image, 255 for none."""
    grey = Image.fromarray(np.where(dots, np.uint8(0), np.uint8(255)))
    return grey.resize((WIDTH_PX, height), Image.Resampling.BOX)


def _ink_on_paper(grey: Image.Image) -> Image.Image:
    ink, paper = (Image.new("RGB", grey.size, colour) for colour in (INK, PAPER))
    return Image.composite(paper, ink, grey)


def _mask(columns: NDArray[np.bool_], height: int) -> Image.Image:
    row = Image.fromarray(np.where(columns, 255, 0).astype(np.uint8)[np.newaxis, :])
    return row.resize((WIDTH_PX, height), Image.Resampling.BOX)


def _hatch(height: int) -> Image.Image:
    x, y = np.meshgrid(np.arange(WIDTH_PX), np.arange(height))
    on_line = ((x + y) % HATCH_PX < 2)[:, :, np.newaxis]
    return Image.fromarray(np.where(on_line, np.array(GAP), np.array(PAPER)).astype(np.uint8))


def _png(picture: Image.Image) -> bytes:
    stream = io.BytesIO()
    picture.save(stream, "PNG")
    return stream.getvalue()
