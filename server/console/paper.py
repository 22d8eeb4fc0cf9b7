"""The paper of a machine, put together from what was reported and the plates that it was printed from."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from machines.plate import Plate
from machines.profile import Profile
from scheduling.log.models import PrintedStretch, Segment
from server import wiring


@dataclass(frozen=True, eq=False)
class Paper:
    """A turn's length of paper, by column of paper, the oldest first.

    Attributes:
        dots: shape (dots across, columns); True is a dot.
        laid: which columns were printed.
        fed: which columns of paper have passed the head.
        seams: places before which columns of the picture are missing although the paper goes on without a gap.
    """

    dots: NDArray[np.bool_]
    laid: NDArray[np.bool_]
    fed: NDArray[np.bool_]
    seams: tuple[int, ...]

    def mirrored(self) -> Paper:
        """The newest first."""
        seams = tuple(len(self.laid) - seam for seam in self.seams)
        return Paper(self.dots[:, ::-1], self.laid[::-1], self.fed[::-1], seams)


@lru_cache(maxsize=16)
def plate(digest: str) -> Plate:
    """A plate; the last few are kept at hand.

    Raises:
        KeyError: no such plate.
    """
    return wiring.plates().get(digest)


def newest_paper(machine: str, profile: Profile) -> Paper | None:
    """The last turn's length of a machine's paper; None before anything is printed."""
    newest = PrintedStretch.objects.filter(machine_id=machine).order_by("-paper_position").first()
    if newest is None:
        return None
    columns = profile.columns_per_turn
    end = newest.paper_position + _length(newest)
    start = end - columns
    # A stretch lies in one segment, so it is no longer than a turn: an earlier one cannot reach as far as here.
    rows = PrintedStretch.objects.filter(machine_id=machine, paper_position__gt=start - columns)
    stretches = list(rows.order_by("paper_position", "version"))
    dots, laid = _printed(stretches, start, (profile.dots_across, columns))
    return Paper(dots, laid, np.arange(start, end) >= 0, _seams(stretches, start))


def _length(stretch: PrintedStretch) -> int:
    return stretch.end_column - stretch.first_column


def _printed(
    stretches: list[PrintedStretch], start: int, shape: tuple[int, int]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """The dots on the paper from a position, and which of its columns were laid."""
    dots, laid = np.zeros(shape, bool), np.zeros(shape[1], bool)
    plates = _digests(stretches)
    for stretch in stretches:
        place = np.arange(_length(stretch)) + stretch.paper_position - start
        shown = (place >= 0) & (place < shape[1])
        digest = plates.get((stretch.run_id, stretch.segment))
        if digest is not None:
            dots[:, place[shown]] = plate(digest).running(stretch.first_column, stretch.end_column)[:, shown]
        laid[place[shown]] = True
    return dots, laid


def _digests(stretches: list[PrintedStretch]) -> dict[tuple[str, int], str]:
    """Which plate each of the stretches' segments was printed from."""
    runs, numbers = {one.run_id for one in stretches}, {one.segment for one in stretches}
    segments = Segment.objects.filter(run_id__in=runs, number__in=numbers)
    return {(run, number): digest for run, number, digest in segments.values_list("run_id", "number", "plate")}


def _seams(stretches: list[PrintedStretch], start: int) -> tuple[int, ...]:
    return tuple(
        later.paper_position - start
        for earlier, later in pairwise(stretches)
        if later.paper_position == earlier.paper_position + _length(earlier)
        and (later.run_id, later.first_column) != (earlier.run_id, earlier.end_column)
        and later.paper_position > start
    )
