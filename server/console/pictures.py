"""Small pictures of plates and of paper, as a viewer in front of the machine sees them.

The paper moves to the right or to the left past the head, so the newest column is at one end of it: on paper that moves
right, later columns stand further left, and a plate is shown mirrored.
"""

from __future__ import annotations

import io
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from machines.plate import Plate
from machines.profile import Profile
from scheduling.log.models import PrintedStretch, Segment
from server import wiring

WIDTH_PX = 960
INK, PAPER, GAP = (29, 39, 51), (253, 251, 246), (201, 122, 96)
HATCH_PX = 6


def height_px(profile: Profile) -> int:
    """How high a turn is drawn, in proportion."""
    return max(24, round(WIDTH_PX * profile.print_width_mm / profile.mm_per_turn))


@lru_cache(maxsize=16)
def _plate(digest: str) -> Plate:
    return wiring.plates().get(digest)


@lru_cache(maxsize=64)
def plate_picture(digest: str, height: int, mirrored: bool) -> bytes:
    """A whole turn as PNG.

    Raises:
        KeyError: no such plate.
    """
    dots = _plate(digest).dots
    return _png(_ink_on_paper(_shrunk(dots[:, ::-1] if mirrored else dots, height)))


def paper_picture(machine: str, profile: Profile) -> bytes | None:
    """The last turn's length of paper as PNG, gaps hatched, clear where there was no paper yet; None without any."""
    newest = PrintedStretch.objects.filter(machine_id=machine).order_by("-paper_position").first()
    if newest is None:
        return None
    end = newest.paper_position + newest.end_column - newest.first_column
    dots, laid = _paper(machine, profile, end - profile.columns_per_turn)
    existing = np.arange(end - profile.columns_per_turn, end) >= 0
    if profile.travel == "right":
        dots, laid, existing = dots[:, ::-1], laid[::-1], existing[::-1]
    height = height_px(profile)
    picture = _ink_on_paper(_shrunk(dots, height))
    picture.paste(_hatch(height), mask=_mask(~laid & existing, height))
    picture.putalpha(_mask(existing, height))
    return _png(picture)


def _paper(machine: str, profile: Profile, start: int) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """The dots on a turn's length of paper from a position, and which of its columns were laid."""
    columns = profile.columns_per_turn
    dots, laid = np.zeros((profile.dots_across, columns), bool), np.zeros(columns, bool)
    stretches = list(PrintedStretch.objects.filter(machine_id=machine, paper_position__gt=start - columns))
    plates = _digests(stretches)
    for stretch in stretches:
        place = np.arange(stretch.end_column - stretch.first_column) + stretch.paper_position - start
        shown = (place >= 0) & (place < columns)
        digest = plates.get((stretch.run_id, stretch.segment))
        if digest is not None:
            printed = _plate(digest).running(stretch.first_column, stretch.end_column)
            dots[:, place[shown]] = printed[:, shown]
        laid[place[shown]] = True
    return dots, laid


def _digests(stretches: list[PrintedStretch]) -> dict[tuple[str, int], str]:
    """Which plate each of the stretches' segments was printed from."""
    runs, numbers = {one.run_id for one in stretches}, {one.segment for one in stretches}
    segments = Segment.objects.filter(run_id__in=runs, number__in=numbers)
    return {(run, number): plate for run, number, plate in segments.values_list("run_id", "number", "plate")}


def _shrunk(dots: NDArray[np.bool_], height: int) -> Image.Image:
    """Coverage of ink as a grey image, 255 for none."""
    return Image.fromarray(np.where(dots, 0, 255).astype(np.uint8)).resize((WIDTH_PX, height), Image.Resampling.BOX)


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
