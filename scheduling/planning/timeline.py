"""A run's columns, segments and instants.

With C columns and S segments to a turn, column c of turn n has the running number g = n C + c and belongs to the
instant ``instants(g / C)``. Slot s of a turn holds the columns from ``(2 s C + S) // (2 S)``, which is s C / S rounded
half up, to the same of s + 1: in integers, so that a turn holds every column exactly once whatever C and S are. The
segment in slot s of turn n has the number n S + s, whenever and by whomever it is planned.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from machines.clock import utc
from machines.errors import InputError
from machines.model.slots import slot_of, slot_start
from machines.protocol.messages import SegmentWork

# Between two knots of a segment a column may stand off its true instant by so many columns at most.
KNOT_TOLERANCE_COLUMNS = 0.01
MOST_KNOT_INTERVALS = 1024
# Beyond this the count of turns, a float64, no longer tells neighbouring columns apart.
LARGEST_COLUMN = 2**50
# Instants are told in whole microseconds, and a float64 of today's POSIX seconds is true to a quarter of one: a column
# that is so little before an instant is the one that was meant by it. No machine lays a column in so short a time.
INSTANTS_TOLD_TO_S = 1e-6


class Cycle(Protocol):
    """What planning asks of a natural cycle; see `scheduling.sky.cycles`."""

    @property
    def mean_turn_s(self) -> float:
        """The mean length of a turn, seconds."""

    def turns(self, posix: NDArray[np.float64]) -> NDArray[np.float64]:
        """The count of turns at instants, POSIX seconds."""

    def instants(self, turns: NDArray[np.float64]) -> NDArray[np.float64]:
        """The inverse, POSIX seconds."""


@dataclass(frozen=True)
class Stretch:
    """The columns of one segment, or what a run holds of them: running columns, the end excluded."""

    number: int
    first_column: int
    end_column: int


@dataclass(frozen=True)
class Timeline:
    """The columns of a picture against a cycle.

    Attributes:
        cycle: the count of turns.
        columns: C, columns in a turn.
        segments: S, segments in a turn.
    """

    cycle: Cycle
    columns: int
    segments: int

    def __post_init__(self) -> None:
        if not 1 <= self.segments <= self.columns:
            raise InputError(
                "segments_per_turn",
                f"{self.segments} segments of a turn of {self.columns} columns",
                "give 1 to the columns of a turn",
            )

    def instants(self, running: NDArray[np.int64]) -> NDArray[np.float64]:
        """When running columns belong under the head, POSIX seconds."""
        return self.cycle.instants(running / self.columns)

    def first_column_from(self, posix: float) -> int:
        """The first running column whose instant, as told, is not before the given one, POSIX seconds.

        So the instant that is told of a column gives that column again, although it was rounded to a microsecond.

        Raises:
            InputError: the cycle does not reach there, or has turned so often that its columns cannot be numbered.
        """
        position = float(self.cycle.turns(np.array([posix]))[0]) * self.columns
        if not abs(position) < LARGEST_COLUMN:
            problem = f"{abs(position):.3g} columns lie between the cycle's turn 0 and here"
            raise InputError(
                "", problem, f"choose a nearer epoch or a slower cycle: {LARGEST_COLUMN:.3g} can be numbered"
            )
        near = int(np.floor(position))
        candidates = np.arange(near - 1, near + 3)
        return int(candidates[np.searchsorted(self.instants(candidates), posix - INSTANTS_TOLD_TO_S)])

    def segment_of(self, running: int) -> int:
        """The number of the segment that holds a running column."""
        return slot_of(running, self.columns, self.segments)

    def stretch(self, number: int) -> Stretch:
        """The columns of a segment."""
        first, end = (slot_start(slot, self.columns, self.segments) for slot in (number, number + 1))
        return Stretch(number, first, end)

    def stretches(self, first_column: int, end_column: int) -> Iterator[Stretch]:
        """The segments of a span of running columns in order; the first and the last clipped to it."""
        number = self.segment_of(first_column)
        while (whole := self.stretch(number)).first_column < end_column:
            yield Stretch(number, max(whole.first_column, first_column), min(whole.end_column, end_column))
            number += 1

    def work(self, stretch: Stretch, plate: str) -> SegmentWork:
        """A stretch as a node gets it, with as many knots as its instants need."""
        knots = self._knots(stretch)
        return SegmentWork(
            number=stretch.number,
            first_column=stretch.first_column,
            end_column=stretch.end_column,
            plate=plate,
            knots=tuple(utc(instant) for instant in knots),
        )

    def _knots(self, stretch: Stretch) -> NDArray[np.float64]:
        """Instants at equal distances, halved until straight lines between them are true to the tolerance."""
        intervals = 1
        while True:
            places = np.linspace(stretch.first_column, stretch.end_column, 2 * intervals + 1) / self.columns
            instants = self.cycle.instants(places)
            off_s = np.abs(instants[1::2] - (instants[:-1:2] + instants[2::2]) / 2)
            column_s = (instants[-1] - instants[0]) / (stretch.end_column - stretch.first_column)
            if np.all(off_s <= KNOT_TOLERANCE_COLUMNS * column_s) or intervals >= MOST_KNOT_INTERVALS:
                return instants[::2]
            intervals *= 2
