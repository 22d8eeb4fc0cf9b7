"""The Moon of a turn: its disc, how much of it is lit and how the lit part leans."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from machines.errors import require
from machines.imaging.pictures.checks import require_between, require_tones
from machines.imaging.pictures.discs import Disc, few_points, mean_over_dots, offsets_mm
from machines.imaging.pictures.in_pieces import InPieces
from machines.imaging.pictures.lettering import Line
from machines.imaging.pictures.sheet import Sheet
from machines.imaging.pictures.sky import SkyNumbers
from machines.imaging.pieces import Piece, bands

_POINTS = 4
# Room that a caption takes under a disc, in heights of its letters.
_CAPTION_LINES = 2.0
SYNODIC_MONTH_DAYS = 29.530589  # the mean, from memory
_PHASES = (
    "new Moon",
    "waxing crescent",
    "first quarter",
    "waxing gibbous",
    "full Moon",
    "waning gibbous",
    "last quarter",
    "waning crescent",
)


@dataclass(frozen=True, kw_only=True)
class MoonDisc(InPieces):
    """One Moon, or several alike, spread evenly over the turn.

    A single Moon is centred at phase one half: on the lunar day, which begins with the Moon over 180 degrees, that is
    when the Moon stands over the meridian of Greenwich. Of n Moons the i-th is centred at phase (i + 1/2) / n, so that
    the closing of the turn falls between two of them.

    Attributes:
        diameter_mm: of a disc.
        discs: how many in a turn.
        lit_ink, dark_ink, sky_ink: tones of the lit and the dark part of the disc and of the sky around it.
        caption_mm: height of a line under each disc that tells the Moon's age in words; 0 for none.
    """

    diameter_mm: float = 60.0
    discs: int = 1
    lit_ink: float = 1.0
    dark_ink: float = 0.15
    sky_ink: float = 0.0
    caption_mm: float = 0.0
    kind: Literal["moon"] = "moon"

    changes_with_turn: ClassVar[bool] = True

    def __post_init__(self) -> None:
        require_between(self, 0.5, 5000.0, "diameter_mm")
        require_between(self, 1, 1000, "discs")
        require_between(self, 0.0, 100.0, "caption_mm")
        require_tones(self, "lit_ink", "dark_ink", "sky_ink")

    def check_upload(self, upload: bytes | None) -> None:
        """A Moon needs none."""

    def pieces(self, sky: SkyNumbers, sheet: Sheet, upload: bytes | None = None) -> Iterator[Piece]:
        """The tone of one turn.

        Raises:
            InputError: the discs do not fit the paper, or the sky has no Moon.
        """
        room = min(sheet.width_mm / self.discs, sheet.height_mm - _CAPTION_LINES * self.caption_mm)
        require(
            self.diameter_mm <= room,
            "diameter_mm",
            f"{self.discs} of {self.diameter_mm:g} mm do not fit {sheet.width_mm:g} by {sheet.height_mm:g} mm",
            f"give at most {room:g} mm, or fewer discs",
        )
        caption = None
        if self.caption_mm:
            caption = Line.of(age_in_words(sky.need("moon_age_days")), sheet, self.caption_mm)
        down_mm = (sheet.height_mm - _CAPTION_LINES * self.caption_mm) / 2
        below_mm = down_mm + self.diameter_mm / 2 + self.caption_mm
        for top, end in bands(sheet.rows, sheet.columns):
            piece = Piece(top, np.full((end - top, sheet.columns), self.sky_ink, dtype=np.float32))
            for index in range(self.discs):
                along_mm = (index + 0.5) / self.discs * sheet.width_mm
                self._draw_disc(piece, sky, sheet, Disc(along_mm, down_mm, self.diameter_mm / 2))
                if caption is not None:
                    caption.write(piece, along_mm, below_mm, 1.0)
            yield piece

    def _draw_disc(self, piece: Piece, sky: SkyNumbers, sheet: Sheet, disc: Disc) -> None:
        rows, columns = disc.window(sheet, piece)
        left, right = max(0, int(columns[0])), min(sheet.columns, int(columns[-1]) + 1)
        fraction, limb = sky.need("moon_lit_fraction"), sky.need("moon_limb_angle_degrees")
        for some in few_points(rows, right - left, _POINTS):
            up = -offsets_mm(some.start, some.stop, sheet.row_mm, disc.down_mm, _POINTS)[:, None] / disc.radius_mm
            along = offsets_mm(left, right, sheet.column_mm, disc.along_mm, _POINTS) / disc.radius_mm
            # Counterclockwise from up is to the viewer's left, where later columns stand on paper that moves right.
            viewers_left = along if sheet.travel == "right" else -along
            on_disc = up**2 + viewers_left**2 <= 1.0
            lit = on_disc & is_lit(viewers_left, up, fraction, limb)
            window = piece.tone[some.start - piece.top : some.stop - piece.top, left:right]
            covered, shining = mean_over_dots(on_disc, _POINTS), mean_over_dots(lit, _POINTS)
            window *= 1 - covered
            window += self.dark_ink * (covered - shining) + self.lit_ink * shining


def is_lit(
    left: NDArray[np.float64], up: NDArray[np.float64], lit_fraction: float, limb_angle_degrees: float
) -> NDArray[np.bool_]:
    """Which points of the unit disc the Sun lights, by the orthographic view of a half-lit sphere.

    The terminator is half an ellipse from cusp to cusp with semi-axes 1 and ``|1 - 2 * lit_fraction|``.

    Args:
        left, up: the points, from the middle of the disc; they broadcast.
        lit_fraction: share of the disc's area that is lit.
        limb_angle_degrees: the middle of the bright limb, from up, counterclockwise.
    """
    require(0.0 <= lit_fraction <= 1.0, "sky.moon_lit_fraction", f"{lit_fraction:g}", "give 0 to 1")
    angle = np.radians(limb_angle_degrees)
    sunward = left * np.sin(angle) + up * np.cos(angle)
    across = left * np.cos(angle) - up * np.sin(angle)
    terminator = (1.0 - 2.0 * lit_fraction) * np.sqrt(np.maximum(0.0, 1.0 - across**2))
    return np.asarray(sunward > terminator)


def age_in_words(age_days: float) -> str:
    """The Moon's age as a caption has it, such as ``waxing gibbous, 11 days``.

    A phase has its name for a day before and after, by the mean length of the month; the Moon's own may come half a
    day off."""
    quarters = age_days / SYNODIC_MONTH_DAYS * 4
    nearest = round(quarters)
    at_phase = abs(quarters - nearest) * SYNODIC_MONTH_DAYS / 4 <= 1.0
    name = _PHASES[(2 * nearest if at_phase else 2 * int(quarters) + 1) % 8]
    days = int(age_days)
    return f"{name}, {days} day{'' if days == 1 else 's'}"
