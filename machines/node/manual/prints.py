"""What a person can have fed or printed by hand, for this machine: how long it is, what it looks like part by part, and
where it is to be cut. A part at a time, because a whole ruler's dots are more than a small board should hold."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from machines.errors import InputError
from machines.imaging.halftone import to_dots
from machines.imaging.patterns import (
    NOZZLE_READING,
    Dots,
    Pattern,
    cut_squareness,
    element_check,
    feed_ruler,
    knife_scale,
    nozzle_check,
    wedge_levels,
)
from machines.model.head import HeadPlan
from machines.model.profile import CarriageHead, Profile
from machines.operator.language import _, marked
from machines.protocol.journal_entries import TestPattern

LEAST_FEED_MM, MOST_FEED_MM = 1.0, 500.0
# So many columns are laid in one go at most; a person who says stop waits no longer than for these.
LARGEST_PART = 256


@dataclass(frozen=True, eq=False)
class HandPrint:
    """Something to feed or print.

    Attributes:
        columns: of paper that it takes, with the way to the knife where it is cut.
        part: what lies in some of its columns, from the first of them to before the end.
        cut_column: where the knife is to cut, counted from its first column; None for no cut.
        reading: what to look at and to write down.
    """

    columns: int
    part: Callable[[int, int], Dots | HeadPlan]
    cut_column: int | None = None
    reading: str = ""


def feed(profile: Profile, length_mm: float) -> HandPrint:
    """Blank paper.

    Raises:
        InputError: no length, or too long a one.
    """
    if not LEAST_FEED_MM <= length_mm <= MOST_FEED_MM:
        raise InputError(
            "length",
            f"{length_mm:g} mm",
            _("give {least} to {most} mm").format(least=f"{LEAST_FEED_MM:g}", most=f"{MOST_FEED_MM:g}"),
        )
    return _blank(profile, max(1, round(length_mm / profile.column_pitch_mm)))


def _blank(profile: Profile, columns: int) -> HandPrint:
    def part(first: int, end: int) -> Dots:
        return np.zeros((profile.dots_across, end - first), dtype=np.bool_)

    return HandPrint(columns, part)


def _nozzles(profile: Profile) -> HandPrint:
    """Each nozzle alone, or each element of a line head."""
    if not isinstance(profile.head, CarriageHead):
        return _drawn(profile, element_check(profile))
    check = nozzle_check(profile, 0)

    def part(first: int, end: int) -> HeadPlan:
        return replace(check, first_column=first, numbers=check.numbers[:, first:end])

    return HandPrint(check.numbers.shape[1], part, reading=NOZZLE_READING)


def _wedge(profile: Profile) -> HandPrint:
    levels = wedge_levels(profile)

    def part(first: int, end: int) -> Dots:
        return to_dots(np.tile(levels[first:end], (profile.dots_across, 1)))

    return HandPrint(len(levels), part, reading=marked("Measure each patch when it is dry, from blank to solid."))


def _drawn(profile: Profile, pattern: Pattern) -> HandPrint:
    """A pattern of dots; one that is to be cut is fed on until the knife stands where it is to cut."""
    drawn = pattern.dots.shape[1]

    def part(first: int, end: int) -> Dots:
        dots = pattern.dots[:, first:end]
        return np.pad(dots, ((0, 0), (0, end - first - dots.shape[1])))

    if pattern.cut_column is None:
        return HandPrint(drawn, part, reading=pattern.reading)
    columns = max(drawn, pattern.cut_column + profile.knife_columns)
    return HandPrint(columns, part, pattern.cut_column, pattern.reading)


_PATTERNS: Mapping[TestPattern, Callable[[Profile], HandPrint]] = {
    "nozzles": _nozzles,
    "feed-ruler": lambda profile: _drawn(profile, feed_ruler(profile)),
    "knife-scale": lambda profile: _drawn(profile, knife_scale(profile)),
    "squareness": lambda profile: _drawn(profile, cut_squareness(profile)),
    "tone-wedge": _wedge,
}
PATTERN_LABELS: Mapping[TestPattern, str] = {
    "nozzles": marked("Nozzle check"),
    "feed-ruler": marked("Ruler of the feed"),
    "tone-wedge": marked("Tone wedge"),
    "knife-scale": marked("Scale for the distance from head to knife; it is cut"),
    "squareness": marked("Squareness of the cut; it is cut"),
}


def pattern(profile: Profile, name: TestPattern) -> HandPrint:
    """A test pattern for this machine.

    Raises:
        InputError: it needs a knife, and there is none.
    """
    return _PATTERNS[name](profile)
