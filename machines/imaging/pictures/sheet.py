"""What a picture is drawn on: one turn of paper, closed on itself like the surface of a drum."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from machines.errors import require
from machines.imaging.pictures.checks import require_between

Travel = Literal["right", "left"]

# A drawing holds up to three bytes a dot at its height: more than this is a mistake in the numbers, not a machine.
LARGEST_SHEET_DOTS = 400_000_000


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """One turn of paper.

    Attributes:
        columns: columns in the turn; column 0 follows the last one.
        rows: dots across; row 0 is the upper edge as a viewer sees it.
        width_mm: length of the turn along the paper.
        height_mm: length of a column, across the paper.
        travel: which way the paper moves, seen from the front. Moving ``right``, later columns stand further left.
    """

    columns: int
    rows: int
    width_mm: float
    height_mm: float
    travel: Travel = "right"

    def __post_init__(self) -> None:
        require_between(self, 2, LARGEST_SHEET_DOTS, "columns")
        require_between(self, 1, LARGEST_SHEET_DOTS, "rows")
        require_between(self, 0.1, 1e6, "width_mm", "height_mm")
        dots = self.columns * self.rows
        remedy = f"give at most {LARGEST_SHEET_DOTS:,} dots a turn"
        require(dots <= LARGEST_SHEET_DOTS, "columns", f"{dots:,} dots in a turn", remedy)

    @property
    def column_mm(self) -> float:
        """Distance between neighbouring columns."""
        return self.width_mm / self.columns

    @property
    def row_mm(self) -> float:
        """Distance between neighbouring rows."""
        return self.height_mm / self.rows

    @property
    def oversampling(self) -> int:
        """Points to a dot along either axis by which shapes are drawn smooth.

        A dot of 0.1 mm is as fine as the eye sees at reading distance (a minute of arc at 34 cm; common practice, no
        source). Smoothing finer dots would only fray a solid edge, as the tones on it become dots at random."""
        coarsest_mm = max(self.column_mm, self.row_mm)
        wanted = 4 if coarsest_mm > 0.2 else 2 if coarsest_mm > 0.1 else 1
        affordable = math.isqrt(LARGEST_SHEET_DOTS // (self.columns * self.rows))
        return min(wanted, affordable)
