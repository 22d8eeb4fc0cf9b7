"""The paper of a machine at an instant, put together from what was reported: which columns lie where, what dots they
are, and where paper or picture goes on without the other."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby, pairwise

import numpy as np
from numpy.typing import NDArray

from machines.imaging.proof import Dots
from machines.model.profile import Profile
from scheduling.log.models import Machine, PrintedStretch, Segment
from scheduling.queries.runs import machine_profile
from scheduling.rendering.plate_store import PlateStore

Look = tuple[Profile, int, int, tuple[tuple[int, str, int, int, str | None], ...]]


@dataclass(frozen=True)
class Length:
    """A length of paper with what was printed on it.

    Attributes:
        machine: whose.
        profile: its model.
        start, end: places on the paper, in columns since its first; the end is under the head.
        stretches: what lies there, in the order of the paper; the first may begin before the start.
    """

    machine: Machine
    profile: Profile
    start: int
    end: int
    stretches: tuple[PrintedStretch, ...]

    @property
    def columns(self) -> int:
        """How many columns long it is."""
        return self.end - self.start

    def look(self) -> Look:
        """All that decides how it looks: two lengths with equal looks have the same dots in the same places."""
        digests = _digests(self.stretches)
        laid = tuple(
            (one.paper_position, one.run_id, one.first_column, one.end_column, digests.get((one.run_id, one.segment)))
            for one in self.stretches
        )
        return self.profile, self.start, self.end, laid


def length_at(machine: Machine, at: datetime | None, columns: int) -> Length | None:
    """The last columns of paper that had passed the head, of the stretches that were whole by an instant.

    Args:
        machine: whose paper.
        at: the instant; what is known today of that time counts. None for all that is known.
        columns: how many; fewer where the paper begins.

    Returns:
        None where nothing had been printed.
    """
    profile = machine_profile(profile=machine.profile_id)
    printed = PrintedStretch.objects.filter(machine_id=machine.id)
    if at is not None:
        printed = printed.filter(at__lte=at)
    newest = printed.order_by("-paper_position").first()
    if newest is None:
        return None
    end = stretch_end(newest)
    start = max(0, end - columns)
    # A stretch lies in one segment, so none is longer than a turn.
    near = printed.filter(paper_position__gt=start - profile.columns_per_turn).order_by("paper_position", "version")
    return Length(machine, profile, start, end, tuple(one for one in near if stretch_end(one) > start))


def stretch_end(stretch: PrintedStretch) -> int:
    """The place on the paper after a stretch."""
    return stretch.paper_position + stretch.end_column - stretch.first_column


def dots_on(length: Length, plates: PlateStore, printed: Callable[[PrintedStretch, Dots], Dots] | None = None) -> Dots:
    """The dots on a length of paper, of shape (dots across, columns), the oldest column first.

    Args:
        length: of paper; it is blank where nothing was printed, and where nobody planned what was.
        plates: where plates lie.
        printed: what a stretch's dots become on the paper; None for what they should be.

    Raises:
        PlateGone: one of the plates is.
    """
    dots = np.zeros((length.profile.dots_across, length.columns), dtype=np.bool_)
    digests = _digests(length.stretches)
    for digest, of_plate in groupby(length.stretches, key=lambda one: digests.get((one.run_id, one.segment))):
        if digest is None:
            continue
        plate = plates.get(digest)  # one at a time
        for one in of_plate:
            asked = plate.running(one.first_column, one.end_column)
            _lay(dots, asked if printed is None else printed(one, asked), one.paper_position - length.start)
    return dots


def laid_on(length: Length) -> NDArray[np.bool_]:
    """Which columns of a length of paper were printed."""
    laid = np.zeros(length.columns, dtype=np.bool_)
    for one in length.stretches:
        laid[max(0, one.paper_position - length.start) : stretch_end(one) - length.start] = True
    return laid


def seams(length: Length) -> tuple[int, ...]:
    """The places at which the paper goes on without a gap and the picture does not: columns are missing, or come once
    more."""
    return tuple(
        after.paper_position
        for before, after in pairwise(length.stretches)
        if after.paper_position == stretch_end(before)
        and (after.run_id, after.first_column) != (before.run_id, before.end_column)
        and after.paper_position > length.start
    )


def _lay(dots: Dots, stretch: Dots, at: int) -> None:
    """Put a stretch's dots in their place; what lies before the first column is cut off."""
    cut_off = max(0, -at)
    dots[:, at + cut_off : at + stretch.shape[1]] = stretch[:, cut_off:]


def _digests(stretches: Iterable[PrintedStretch]) -> dict[tuple[str, int], str]:
    """Which plate each segment was printed from."""
    found = {}
    for run, of_run in groupby(stretches, key=lambda one: one.run_id):
        numbers = {one.segment for one in of_run}
        for number, plate in Segment.objects.filter(run_id=run, number__in=numbers).values_list("number", "plate"):
            found[run, number] = plate
    return found
