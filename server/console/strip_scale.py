"""To what scale a machine's strip of paper is drawn, and where what lies on it stands.

The paper moves to the right or to the left past the head. What was laid stands on the side to which it moves, what is
to come on the other. Numbers are units of the drawing, or shares of its width in per cent for what must keep its size
on a narrow screen: text.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

from machines.model.profile import Profile
from server.console.pictures import Paper

WIDTH, TALLEST, LOWEST = 1000, 116.0, 44.0
# Of the pictures of what was laid: where there are few machines, and where there are many.
STRIP_PX, SLIP_PX = 1400, 560
COLOURS = 32
# Of the width, for what was laid, and the most of it that the way to the knife takes.
BEHIND, TO_KNIFE = 700, 620


@dataclass(frozen=True)
class Scale:
    """How a machine's paper is drawn.

    Attributes:
        per_column: units a column.
        height: units across the paper.
        margin: units from the paper's edge to the print.
        behind, ahead: how many columns are looked at, before the head and beyond it.
    """

    per_column: float
    height: float
    margin: float
    behind: int
    ahead: int


def scale_of(profile: Profile) -> Scale:
    """The scale for a model: the same along and across, and such that its knife is in sight, where it can be."""
    width_mm = profile.media.width_mm
    per_mm = TALLEST / width_mm
    if profile.knife is not None and profile.knife.head_to_knife_mm * per_mm > TO_KNIFE:
        per_mm = max(LOWEST / width_mm, TO_KNIFE / profile.knife.head_to_knife_mm)
    per_column = per_mm * profile.column_pitch_mm
    return Scale(
        per_column=per_column,
        height=round(per_mm * width_mm, 1),
        margin=round(per_mm * (width_mm - profile.print_width_mm) / 2, 1),
        behind=ceil(BEHIND / per_column),
        ahead=ceil((WIDTH - BEHIND) / per_column),
    )


def strip_paper(profile: Profile, width_px: int) -> Paper:
    """What the picture of what was laid shows."""
    scale = scale_of(profile)
    height_px = max(1, round(width_px * (scale.height - 2 * scale.margin) / BEHIND))
    return Paper(scale.behind, (width_px, height_px), COLOURS)


@dataclass(frozen=True)
class Box:
    """From where, and how wide."""

    x: float
    width: float


@dataclass(frozen=True)
class PlateBox(Box):
    """A whole turn's plate, of which what lies within the drawing is seen."""

    address: str


@dataclass(frozen=True)
class Light(Box):
    """A stretch in one light of the day; per cent."""

    light: str


@dataclass(frozen=True, kw_only=True)
class OnPaper:
    """What is drawn of a machine's paper.

    Attributes:
        height: of the paper, units.
        margin, inner: from its edge to the print, and how high that is.
        paper: from where it begins to where it is out of sight.
    """

    height: float
    margin: float
    inner: float
    paper: Box

    @property
    def box(self) -> float:
        """How high the drawing is, with what stands out above and below the paper."""
        return self.height + 8

    @property
    def tall(self) -> float:
        """Where lines end that stand out below the paper."""
        return self.height + 4


@dataclass(frozen=True)
class Named:
    """Something at a place, in per cent of the width; ``anchor`` is which end of its name stands there."""

    x: float
    text: str
    anchor: str = "start"
    kind: str = ""


@dataclass(frozen=True)
class Drawing:
    """Where the places of a machine's paper stand, to a scale.

    Attributes:
        head_place: the place under the head.
        mirrored: whether the paper moves to the right past the head, so that what was laid is there.
        scale: see `scale_of`.
    """

    head_place: float
    mirrored: bool
    scale: Scale

    @property
    def head(self) -> float:
        """Where the head stands."""
        return float(WIDTH - BEHIND if self.mirrored else BEHIND)

    def x(self, place: float) -> float:
        """Where a place stands."""
        away = (self.head_place - place) * self.scale.per_column
        return round(self.head + away if self.mirrored else self.head - away, 1)

    def box(self, first: float, end: float) -> Box:
        """From one place to another, within the drawing."""
        a, b = sorted((self.x(first), self.x(end)))
        a, b = max(a, 0.0), min(b, float(WIDTH))
        return Box(round(a, 1), round(max(b - a, 0.0), 1))

    def whole(self, first: float, end: float) -> Box:
        """From one place to another, also beyond the drawing."""
        a, b = sorted((self.x(first), self.x(end)))
        return Box(a, round(b - a, 1))

    def percent(self, x: float) -> float:
        """The same as a share of the width."""
        return round(100 * x / WIDTH, 2)
