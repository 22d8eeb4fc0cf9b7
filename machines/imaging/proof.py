"""What the paper will look like, before it is spent: at true dots, and as a view with rulers along its edges.

Images show the paper from the front, as a visitor sees it: moving right, the newest column is at the left end.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Collection, Sequence

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from machines.imaging.rulers import Ruler
from machines.model.head import plan
from machines.model.profile import CarriageHead, Profile

Dots = NDArray[np.bool_]

# Of a view of any proportions: a few columns right across wide paper would fill the memory.
HIGHEST_VIEW_PX = 4000
_STRIP_PX = 34
_TICK_PX = 9
_TEXT_PX = 13
_INK = 20
_CUT = 110


def hanging(profile: Profile, next_column: int) -> range:
    """The running columns between head and knife when ``next_column`` is the next to be set; with no knife, none."""
    return range(next_column - profile.knife_columns, next_column)


def stretch(profile: Profile, first_column: int, length_mm: float) -> range:
    """The running columns of a length of paper, such as a run's first metre; at least one."""
    return range(first_column, first_column + max(1, round(length_mm / profile.column_pitch_mm)))


def with_dead_nozzles(
    dots: Dots, profile: Profile, first_column: int, seed: int, dead: Collection[int], known: Collection[int] = ()
) -> Dots:
    """The dots that reach the paper when nozzles die and nobody notices.

    Nozzles that are known to be dead are left out of the plan, so that they alone cost no dot. A line head has one
    element for every row: a dead one leaves its row blank.

    Args:
        dots: bool, shape (rows, columns), columns in the order of running columns.
        profile: the machine.
        first_column: running column of the first.
        seed: the run's, by which nozzles are chosen.
        dead: nozzles of a carriage head, or rows of a line head.
        known: nozzles of a carriage head whose death the plan knows of.

    Raises:
        InputError: no such nozzle, or too few are known to be alive.
    """
    if isinstance(profile.head, CarriageHead):
        return plan(dots, first_column, profile.head, seed, known).laid(dead)
    laid = dots.copy()
    laid[list(dead)] = False
    return laid


def with_slip(dots: Dots, slip: float) -> Dots:
    """The dots when the paper advances by ``1 - slip`` of what it is told, in columns of true size.

    Columns that fall onto one another are laid over each other; when the paper runs ahead (slip below 0) gaps open.

    Args:
        dots: bool, shape (rows, columns), columns in the order of running columns.
        slip: share of the feed that is lost, above -1 and below 1.
    """
    if not -1.0 < slip < 1.0:
        raise ValueError(f"slip of {slip} is not above -1 and below 1")
    places = np.floor(np.arange(dots.shape[1]) * (1.0 - slip) + 1e-9).astype(np.intp)
    laid = np.zeros((dots.shape[0], int(places[-1]) + 1 if len(places) else 0), dtype=np.bool_)
    for column, place in enumerate(places):
        laid[:, place] |= dots[:, column]
    return laid


def as_seen(dots: Dots, profile: Profile) -> Dots:
    """Columns from left to right as a visitor sees them."""
    return dots[:, ::-1] if profile.travel == "right" else dots


def true_png(dots: Dots, profile: Profile) -> bytes:
    """The paper at true dots: a PNG of one bit a dot, with its resolution, so that it prints and measures true to
    size."""
    stream = io.BytesIO()
    dpi = (25.4 / profile.column_pitch_mm, 25.4 / profile.dot_pitch_mm)
    Image.fromarray(~as_seen(dots, profile)).convert("1").save(stream, "PNG", dpi=dpi)
    return stream.getvalue()


def view_png(
    dots: Dots,
    profile: Profile,
    first_column: int,
    *,
    above: Sequence[Ruler] = (),
    below: Sequence[Ruler] = (),
    cuts: Collection[float] = (),
    width_px: int = 1600,
) -> bytes:
    """The paper scaled to a width in pixels, in its own proportions, with rulers above and below.

    A length so short that it would be higher than 4000 pixels is shown stretched along the paper.

    Tone is averaged in linear light and encoded as sRGB, so that a tint looks as dark as it will from a distance.

    Args:
        dots: bool, shape (rows, columns), columns in the order of running columns.
        profile: the machine.
        first_column: running column of the first.
        above, below: rulers, from the paper outwards.
        cuts: running columns at whose first edge the knife cuts; drawn as lines.
        width_px: of the image.
    """
    paper = _scaled(as_seen(dots, profile), profile, width_px)
    image = Image.new("L", (paper.width, paper.height + _STRIP_PX * (len(above) + len(below))), 255)
    top = _STRIP_PX * len(above)
    image.paste(paper, (0, top))

    def across(column: float) -> float:
        share = float((column - first_column) / dots.shape[1])
        return min((1.0 - share if profile.travel == "right" else share) * width_px, width_px - 1.0)

    _draw_edges(ImageDraw.Draw(image), across, range(top, top + paper.height), above, below, cuts)
    stream = io.BytesIO()
    image.save(stream, "PNG", optimize=True)
    return stream.getvalue()


def _draw_edges(
    pen: ImageDraw.ImageDraw,
    across: Callable[[float], float],
    paper: range,
    above: Sequence[Ruler],
    below: Sequence[Ruler],
    cuts: Collection[float],
) -> None:
    """Cuts over the paper, which fills some rows of the image, and rulers outwards from it."""
    for cut in cuts:
        pen.line([(across(cut), paper.start), (across(cut), paper.stop - 1)], fill=_CUT, width=2)
    for index, ruler in enumerate(above):
        _draw_ruler(pen, ruler, across, paper.start - index * _STRIP_PX - 1, -1)
    for index, ruler in enumerate(below):
        _draw_ruler(pen, ruler, across, paper.stop + index * _STRIP_PX, 1)


def _scaled(dots: Dots, profile: Profile, width_px: int) -> Image.Image:
    """The dots as a grey image of true proportions."""
    rows, columns = dots.shape
    wanted_px = round(width_px * rows * profile.dot_pitch_mm / (columns * profile.column_pitch_mm))
    height_px = min(max(1, wanted_px), HIGHEST_VIEW_PX)
    paper = Image.fromarray(np.where(dots, np.uint8(0), np.uint8(255)))
    light = (np.asarray(paper.resize((width_px, height_px), Image.Resampling.BOX)) / 255).astype(np.float32)
    return Image.fromarray(np.rint(encoded(light) * 255).astype(np.uint8))


def encoded(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """Linear light 0 to 1 to sRGB values 0 to 1 (IEC 61966-2-1)."""
    curved = 1.055 * np.maximum(light, 0.0031308) ** (1 / 2.4) - 0.055
    return np.where(light <= 0.0031308, light * 12.92, curved).astype(np.float32)


def _draw_ruler(pen: ImageDraw.ImageDraw, ruler: Ruler, across: Callable[[float], float], edge: int, way: int) -> None:
    """Ticks from the edge outwards, ``way`` being -1 upwards and 1 downwards, and the text beyond them."""
    width, _ = pen.im.size
    font = ImageFont.load_default(_TEXT_PX)
    pen.line([(0, edge), (width, edge)], fill=_INK)
    text_y = edge + way * (_TICK_PX + _TEXT_PX // 2 + 3)
    taken = pen.textlength(ruler.title, font) + 14
    pen.text((4, text_y), ruler.title, fill=_CUT, font=font, anchor="lm")
    for mark in ruler.marks:
        x = across(mark.column)
        pen.line([(x, edge), (x, edge + way * _TICK_PX)], fill=_INK)
        half = pen.textlength(mark.text, font) / 2
        if taken + half <= x <= width - half:
            pen.text((x, text_y), mark.text, fill=_INK, font=font, anchor="mm")
