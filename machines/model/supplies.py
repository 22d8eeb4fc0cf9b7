"""Paper, ink and blades: what a segment, a turn or a run uses, and how much paper a roll is."""

from __future__ import annotations

import math
from dataclasses import dataclass

from machines.errors import InputError
from machines.model.profile import CarriageHead, IdleFiring, Profile

ML_PER_PL = 1e-9


@dataclass(frozen=True, kw_only=True)
class Use:
    """What something uses up. Uses add up: segments to a turn, turns to a run.

    Attributes:
        paper_mm: paper fed.
        picture_ml: ink of the dots.
        idle_ml: ink fired to keep nozzles open.
        cuts: strokes of the knife.
    """

    paper_mm: float = 0.0
    picture_ml: float = 0.0
    idle_ml: float = 0.0
    cuts: int = 0

    def __add__(self, other: Use) -> Use:
        return Use(
            paper_mm=self.paper_mm + other.paper_mm,
            picture_ml=self.picture_ml + other.picture_ml,
            idle_ml=self.idle_ml + other.idle_ml,
            cuts=self.cuts + other.cuts,
        )

    def __mul__(self, times: int) -> Use:
        return Use(
            paper_mm=self.paper_mm * times,
            picture_ml=self.picture_ml * times,
            idle_ml=self.idle_ml * times,
            cuts=self.cuts * times,
        )

    @property
    def ink_ml(self) -> float:
        """All the ink."""
        return self.picture_ml + self.idle_ml

    def blades(self, profile: Profile) -> float:
        """How many blades the cuts wear out; 0 for a machine without a knife."""
        return 0.0 if profile.knife is None else self.cuts / profile.knife.cuts_per_blade


def use(
    profile: Profile, *, columns: int, dots: int, seconds: float = 0.0, cuts: int = 0, idle: IdleFiring | None = None
) -> Use:
    """What printing some columns uses.

    Args:
        profile: the machine.
        columns: printed or fed blank.
        dots: to be set in them.
        seconds: how long it takes, for the idle firing.
        cuts: strokes of the knife in that time.
        idle: how nozzles are kept open; None where they need not be.
    """
    carriage = profile.head if isinstance(profile.head, CarriageHead) else None
    return Use(
        paper_mm=columns * profile.column_pitch_mm,
        picture_ml=dots * carriage.passes * carriage.drop_pl * ML_PER_PL if carriage else 0.0,
        idle_ml=idle_ml(carriage, seconds, idle) if carriage and idle else 0.0,
        cuts=cuts,
    )


def idle_ml(head: CarriageHead, seconds: float, idle: IdleFiring) -> float:
    """Ink that idle firing takes in some time; the mean, not a whole number of firings."""
    return seconds / idle.every_s * idle.drops * head.nozzles * head.drop_pl * ML_PER_PL


def roll_length_m(outer_mm: float, core_mm: float, caliper_mm: float) -> float:
    """Length of the paper on a roll, L = pi (D^2 - d^2) / (4 t): the area of its side over the thickness of the paper.

    Args:
        outer_mm: diameter of the roll, D.
        core_mm: outside diameter of its core, d.
        caliper_mm: thickness of the paper, t.

    Raises:
        InputError: not the measures of a roll.
    """
    if not 0 < caliper_mm < math.inf:
        raise InputError("caliper_mm", f"{caliper_mm} mm", "give the thickness of one sheet, such as 0.105")
    if not 0 < core_mm <= outer_mm < math.inf:
        raise InputError(
            "outer_mm", f"{outer_mm} mm on a core of {core_mm} mm", "give at least the core's outside diameter"
        )
    return math.pi * (outer_mm**2 - core_mm**2) / (4.0 * caliper_mm) / 1000.0


def roll_length_error_m(outer_mm: float, caliper_mm: float, outer_error_mm: float = 1.0) -> float:
    """By how much the length is wrong when the diameter is misread, dL/dD = pi D / (2 t).

    It is metres for a millimetre: forecast from the length fed, and use the diameter as a cross-check."""
    return math.pi * outer_mm / (2.0 * caliper_mm) * outer_error_mm / 1000.0


def whole_columns(profile: Profile, paper_m: float) -> int:
    """How many whole columns some paper still holds; the column after them ends the roll."""
    # The tolerance is for lengths such as 24 * 25.4 mm, which is not 609.6 in binary.
    return math.floor(paper_m * 1000.0 / profile.column_pitch_mm * (1 + 1e-12))
