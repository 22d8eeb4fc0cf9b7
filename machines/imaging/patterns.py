"""Test patterns: what is printed before a run to see that the machine is right, and what to make of the reading.

They are printed at the machine with somebody beside it. Whoever shows a pattern shows its cautions with it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from machines.errors import InputError
from machines.model.head import NO_NOZZLE, Choices, HeadPlan
from machines.model.profile import CarriageHead, Profile
from machines.operator.language import marked
from machines.protocol.journal_entries import TestPattern

Dots = NDArray[np.bool_]

CAUTIONS_AT_ROLLERS = (
    "Keep hair, sleeves and fingers away from rollers and carriage while they can move.",
    "Know where the stop control is before you start.",
    "The venue's rules and local codes come first; leave mains work to licensed people.",
)
CAUTIONS_AT_KNIFE = (
    "Never reach into the knife. Switch the power off, see that the knife is parked, and wear cut-resistant gloves.",
    "Spent blades go into a closed container.",
    *CAUTIONS_AT_ROLLERS,
)

# What to look at on a pattern, and to write down.
FEED_READING = "Measure from the first full stroke to the last hundred, {} mm as printed."
NOZZLE_READING = marked(
    "A stair of one step for each nozzle, counted from 0 at the upper edge: a missing step is a dead nozzle."
)
KNIFE_READING = (
    "Count the millimetres from the full stroke to the cut: plus on the side whose strokes hang from the upper edge,"
    " minus on the other."
)

# Feed and knife are corrected by a few percent and millimetres. More is a misreading, or a machine to be repaired.
LARGEST_FEED_CORRECTION = 0.05
_NOZZLE_GAP_COLUMNS = 4
_ELEMENTS_IN_STAIR = 16


@dataclass(frozen=True, eq=False)
class Pattern:
    """Something to print and read.

    Attributes:
        name: what it is for.
        dots: bool, shape (rows, columns), columns in the order of running columns.
        reading: what to look at and to write down.
        cautions: to be shown at that step.
        cut_column: where the knife is to cut, counted from the pattern's first column; None for no cut.
    """

    name: str
    dots: Dots
    reading: str
    cautions: tuple[str, ...] = CAUTIONS_AT_ROLLERS
    cut_column: int | None = None


def _blank(profile: Profile, length_mm: float) -> Dots:
    return np.zeros((profile.dots_across, max(1, round(length_mm / profile.column_pitch_mm))), dtype=np.bool_)


def _column(profile: Profile, mm: float) -> int:
    """The column whose first edge is nearest to a distance."""
    return round(mm / profile.column_pitch_mm)


def nozzle_check(profile: Profile, first_column: int) -> HeadPlan:
    """A stair of one step for each nozzle of a carriage head, each fired by that nozzle alone: a missing step is a
    dead nozzle.

    Nozzle j draws the j-th step from the upper edge, four columns after the one before.

    Raises:
        InputError: the head is not a carriage.
    """
    head = profile.head
    if not isinstance(head, CarriageHead):
        raise InputError("head", "is a line head", "print its element check")
    numbers = np.zeros((profile.dots_across, head.nozzles * _NOZZLE_GAP_COLUMNS), dtype=np.uint16)
    edges = np.arange(head.nozzles + 1) * profile.dots_across // head.nozzles
    for nozzle in range(head.nozzles):
        numbers[edges[nozzle] : edges[nozzle + 1], nozzle * _NOZZLE_GAP_COLUMNS] = nozzle + 1
    nozzles = np.array([NO_NOZZLE, *range(head.nozzles)], dtype=np.uint16)[:, None]
    return HeadPlan(head, first_column, numbers, Choices(nozzles))


def element_check(profile: Profile) -> Pattern:
    """Stairs in which each element of a line head fires once, sixteen columns apart from its neighbours' next step."""
    dots = np.zeros((profile.dots_across, _ELEMENTS_IN_STAIR), dtype=np.bool_)
    rows = np.arange(profile.dots_across)
    dots[rows, rows % _ELEMENTS_IN_STAIR] = True
    return Pattern("element check", dots, "Look for missing dots in the stairs; each is one dead element.")


def feed_ruler(profile: Profile, length_mm: float = 200.0) -> Pattern:
    """Strokes at every millimetre, longer at 5, 10 and 100, to be laid against a steel rule.

    Each stroke stands at the column nearest to its millimetre, so it is out by half a column at most and errors do
    not add up.
    """
    dots = _blank(profile, length_mm + profile.column_pitch_mm)
    for mm in range(int(length_mm) + 1):
        share = next(share for step, share in ((100, 1.0), (10, 0.3), (5, 0.2), (1, 0.1)) if mm % step == 0)
        dots[: max(1, round(share * profile.dots_across)), min(_column(profile, mm), dots.shape[1] - 1)] = True
    return Pattern("feed ruler", dots, FEED_READING.format(int(length_mm) // 100 * 100))


def feed_correction(printed_mm: float, measured_mm: float) -> float:
    """By what the motor's steps a millimetre are to be multiplied; above 1 where the paper came out short.

    Raises:
        InputError: the lengths are not within 5% of each other.
    """
    if not (0 < printed_mm < math.inf and 0 < measured_mm < math.inf):
        raise InputError("measured_mm", f"{measured_mm} mm of {printed_mm} mm", "give lengths above 0")
    factor = printed_mm / measured_mm
    if abs(factor - 1.0) > LARGEST_FEED_CORRECTION:
        problem = f"{measured_mm:g} mm for {printed_mm:g} mm"
        raise InputError("measured_mm", problem, "measure again; more than 5% is a slack roller, not a calibration")
    return factor


def humidity_stretch_mm(length_mm: float, humidity_points: float, percent_per_100_points: float) -> float:
    """By how much paper grows when the air gets damper, and by how much a calibration is off in other air than its own.

    Args:
        length_mm: of the paper.
        humidity_points: change of relative humidity, in points; below 0 for drier air.
        percent_per_100_points: what the paper does; measure it, as papers differ (0.1 to 0.4 is common practice, no
            source).

    Raises:
        InputError: no length, or no such air or paper.
    """
    if not 0 < length_mm < math.inf:
        raise InputError("length_mm", f"{length_mm:g} mm", "give a length above 0")
    if not -100 <= humidity_points <= 100:
        raise InputError("points", f"{humidity_points:g} points", "give -100 to 100")
    if not 0 <= percent_per_100_points <= 10:
        raise InputError("percent", f"{percent_per_100_points:g}%", "give 0 to 10, such as 0.2")
    return length_mm * percent_per_100_points / 100.0 * humidity_points / 100.0


def knife_scale(profile: Profile, reach_mm: int = 15) -> Pattern:
    """A scale round the place at which the knife should cut: a full stroke there, and one for every millimetre beside
    it.

    Strokes that are printed later than the cut hang from the upper edge, earlier ones stand on the lower edge.

    Raises:
        InputError: the machine has no knife.
    """
    if profile.knife is None:
        raise InputError("knife", "this machine has none", "nothing to set")
    dots = _blank(profile, 2 * reach_mm + 2)
    centre = _column(profile, reach_mm + 1)
    dots[:, centre] = True
    for mm in range(1, reach_mm + 1):
        length = round((0.4 if mm % 5 == 0 else 0.2) * profile.dots_across)
        dots[:length, centre + _column(profile, mm)] = True
        dots[-length:, centre - _column(profile, mm)] = True
    return Pattern("head-to-knife distance", dots, KNIFE_READING, CAUTIONS_AT_KNIFE, centre)


def corrected_head_to_knife_mm(profile: Profile, cut_at_mm: float) -> float:
    """The distance to enter in the profile after a cut on the knife scale.

    A cut that falls on paper printed later than was planned shows that the knife stands nearer to the head.

    Args:
        profile: as it was when the scale was printed.
        cut_at_mm: where the cut fell, from the full stroke, plus towards what is printed later.

    Raises:
        InputError: no knife, or the distance comes out below 0.
    """
    if profile.knife is None:
        raise InputError("knife", "this machine has none", "nothing to set")
    distance_mm = profile.knife.head_to_knife_mm - cut_at_mm
    if not 0 <= distance_mm < math.inf:
        raise InputError("cut_at_mm", f"{cut_at_mm:g} mm", "read the scale again")
    return distance_mm


def wedge_tone(profile: Profile, steps: int = 21, patch_mm: float = 10.0) -> NDArray[np.float32]:
    """The tone wedge: patches from blank paper to solid, along the paper, to be turned to dots as the run's pictures
    are.

    Measured patch by patch it makes the machine's tone curve.
    """
    return np.tile(wedge_levels(profile, steps, patch_mm), (profile.dots_across, 1))


def wedge_levels(profile: Profile, steps: int = 21, patch_mm: float = 10.0) -> NDArray[np.float32]:
    """The tone of each column of the wedge.

    Raises:
        InputError: fewer than two steps, or more than 101.
    """
    if not 2 <= steps <= 101:
        raise InputError("steps", f"{steps} steps", "give 2 to 101")
    columns = max(1, round(patch_mm / profile.column_pitch_mm))
    return np.repeat(np.linspace(0.0, 1.0, steps, dtype=np.float32), columns)


def cut_squareness(profile: Profile) -> Pattern:
    """A stroke right across the paper, to be cut 10 mm before it.

    Raises:
        InputError: the machine has no knife.
    """
    if profile.knife is None:
        raise InputError("knife", "this machine has none", "nothing to set")
    dots = _blank(profile, 20.0)
    dots[:, _column(profile, 15.0)] = True
    reading = "Measure from the cut to the stroke, at the upper and at the lower end of the stroke."
    return Pattern("squareness of the cut", dots, reading, CAUTIONS_AT_KNIFE, _column(profile, 5.0))


def cut_angle_degrees(profile: Profile, upper_mm: float, lower_mm: float) -> float:
    """By how much the cut is out of square, from both distances to the stroke; plus where the upper one is longer."""
    return math.degrees(math.atan2(upper_mm - lower_mm, profile.print_width_mm))


CUT_PATTERNS: tuple[TestPattern, ...] = ("knife-scale", "squareness")
