"""The geometry of a run in numbers for people: what is how long on the paper, what is laid at once, and where rounding
falls."""

from __future__ import annotations

from dataclasses import dataclass

from machines.model.cadence import Quantum, quantum
from machines.model.profile import Profile


@dataclass(frozen=True, kw_only=True)
class Geometry:
    """How a turn of a cycle lies on the paper of a machine.

    Attributes:
        columns_per_turn, mm_per_turn: along the paper.
        dots_across, print_width_mm: across it.
        column_pitch_mm, dot_pitch_mm: distances between neighbouring columns, and between dots of a column.
        aspect: a column's distance over a dot's; 1 where dots stand in squares.
        mm_per_degree: of the turn.
        seconds_per_column: in a mean turn.
        burst: what is laid in one go, and so is printed at one instant.
        burst_in_words: the same.
        knife_rounding_mm: by how much the knife's distance is off, as it is counted in whole columns; above 0 where it
            is counted too long; None without a knife. It is the same at every cut and never adds up.
    """

    columns_per_turn: int
    mm_per_turn: float
    dots_across: int
    print_width_mm: float
    column_pitch_mm: float
    dot_pitch_mm: float
    aspect: float
    mm_per_degree: float
    seconds_per_column: float
    burst: Quantum
    burst_in_words: str
    knife_rounding_mm: float | None


def geometry(profile: Profile, mean_turn_s: float) -> Geometry:
    """The geometry of a machine whose cycle turns once in ``mean_turn_s``."""
    burst = quantum(profile, mean_turn_s)
    return Geometry(
        columns_per_turn=profile.columns_per_turn,
        mm_per_turn=profile.mm_per_turn,
        dots_across=profile.dots_across,
        print_width_mm=profile.print_width_mm,
        column_pitch_mm=profile.column_pitch_mm,
        dot_pitch_mm=profile.dot_pitch_mm,
        aspect=profile.column_pitch_mm / profile.dot_pitch_mm,
        mm_per_degree=profile.mm_per_turn / 360.0,
        seconds_per_column=mean_turn_s / profile.columns_per_turn,
        burst=burst,
        burst_in_words=burst.in_words(),
        knife_rounding_mm=_knife_rounding_mm(profile),
    )


def _knife_rounding_mm(profile: Profile) -> float | None:
    if profile.knife is None:
        return None
    return profile.knife_columns * profile.column_pitch_mm - profile.knife.head_to_knife_mm
