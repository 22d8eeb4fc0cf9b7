"""A run, counted: what of it is printed, and what lies ahead of it."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from typing import overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from machines.model.profile import IdleFiring, Profile
from machines.model.slots import slot_of, slot_start
from machines.model.supplies import use
from scheduling.log.models import Run, Segment, Venue
from scheduling.paper.quiet_cuts import MOST_LOOKED_AT, held_cuts
from scheduling.planning.timeline import Timeline
from scheduling.queries.machine_context import MachineContext
from scheduling.queries.open_spans import open_rows
from scheduling.queries.runs import run_instants
from scheduling.rendering.plate_store import PlateStore
from scheduling.sky.arrays import FloatArray
from scheduling.supplies.consumption import Supplies, by_column, supplies
from scheduling.supplies.counted_dots import dots_laid, mean_drawn
from scheduling.supplies.left_out import Ranges, columns_in, left_out
from scheduling.venues.quiet import QuietBetween, loud_s, quiet_of

NONE = np.zeros(0, dtype=np.int64)


class SomeOf(Sequence[int]):
    """Numbers of a range of which some of the first are left out."""

    def __init__(self, whole: range, looked_at: int, kept: NDArray[np.int64]) -> None:
        """Of so many that were looked at, those with an index among the kept stay; what comes after them all stays."""
        self._first, self._rest = kept + whole.start, whole[looked_at:]

    @overload
    def __getitem__(self, index: int) -> int: ...

    @overload
    def __getitem__(self, index: slice) -> Sequence[int]: ...

    def __getitem__(self, index: int | slice) -> int | Sequence[int]:
        """The number at an index, from 0."""
        if isinstance(index, slice):
            return [self[one] for one in range(len(self))[index]]
        index = range(len(self))[index]
        return int(self._first[index]) if index < len(self._first) else self._rest[index - len(self._first)]

    def __len__(self) -> int:
        """How many stay."""
        return len(self._first) + len(self._rest)


@dataclass(frozen=True, eq=False, kw_only=True)
class RemainingColumns:
    """A run, and what of it is still to be laid.

    Attributes:
        run, profile, now: as asked for.
        timeline_of: gives the columns of a run against its cycle; most who ask need none.
        due: running columns that are planned and have no outcome or are to be printed once more, in order; without
            those that are left out.
        quiet: when the knife is held; None where it never is.
        left_out: columns to come that are never laid: see `scheduling.supplies.left_out`.
    """

    run: Run
    profile: Profile
    now: datetime
    timeline_of: Callable[[Run], Timeline]
    due: NDArray[np.int64]
    quiet: QuietBetween | None = None
    left_out: Ranges = ()

    @staticmethod
    def of_run(
        run: Run,
        profile: Profile,
        timeline_of: Callable[[Run], Timeline],
        now: datetime,
        segments: Iterable[Segment],
        quiet: QuietBetween | None = None,
        venue: Venue | None = None,
    ) -> RemainingColumns:
        """Count a run's columns, by its open segments, without their dots, which takes no plates; those that are left
        out are not counted where its venue is named."""
        out = () if venue is None else left_out(run, profile, timeline_of, venue, now)
        columns = [segment.first_column + np.flatnonzero(_due(segment, out)) for segment in segments]
        due = np.concatenate([NONE, *columns])
        return RemainingColumns(
            run=run, profile=profile, now=now, timeline_of=timeline_of, due=due, quiet=quiet, left_out=out
        )

    @property
    def next_column(self) -> int:
        """The first column that is to be laid."""
        return self.column_to_come(0)

    def column_to_come(self, number: int) -> int:
        """The column that is laid after so many others from now on; at or beyond the run's end where none is."""
        if number < len(self.due):
            return int(self.due[number])
        column = self.run.planned_to_column + number - len(self.due)
        for first, end in self.left_out:
            if (first := max(first, self.run.planned_to_column)) <= column:
                column += max(0, end - first)
        return column

    def unplanned_before(self, column: int) -> int:
        """How many columns without a plate are laid before one."""
        planned_to = self.run.planned_to_column
        return max(0, column - planned_to) - columns_in(self.left_out, planned_to, max(column, planned_to))

    @property
    def unplanned(self) -> int:
        """How many columns that are laid have no plate yet; a run that was ended before what was planned has none."""
        return self.unplanned_before(self.run.end_column)

    @cached_property
    def timeline(self) -> Timeline:
        """Its columns against its cycle."""
        return self.timeline_of(self.run)

    def instants(self, columns: ArrayLike) -> FloatArray:
        """When running columns belong under the head, POSIX seconds."""
        return run_instants(self.run, columns, self.timeline)

    def first_column_from(self, at: datetime) -> int:
        """The first column that belongs under the head at an instant or after it; the run's end where none does. What
        its timeline has waited, it has waited before."""
        if at >= self.run.ends_at:
            return self.run.end_column
        planned_at = at - timedelta(seconds=self.run.shift_s)
        if planned_at <= self.run.starts_at:
            return self.run.first_column
        return self.timeline.first_column_from(planned_at.timestamp())

    @cached_property
    def strips(self) -> range:
        """Strips, numbered as segments are, whose beginnings come to the knife from now until the run's last column is
        laid; the rest hangs uncut. A run of years may have millions: none is looked at here, and so those whose columns
        are left out count, too. A blade is told to end too soon by them, and never too late."""
        if self.run.strips_per_turn == 0:
            return range(0)
        knife_columns = self.profile.knife_columns
        after = max(self.run.first_column, self.next_column - knife_columns) - 1
        first = self._strip_of(after) + 1
        return range(first, max(first, self._strip_of(self.run.end_column - knife_columns - 1) + 1))

    @cached_property
    def held(self) -> NDArray[np.bool_]:
        """Of `strips`, from the first on: whether the beginning comes to the knife in quiet hours, and is not cut."""
        if self.quiet is None:
            return NONE.astype(np.bool_)
        starts = [self._start(strip) for strip in self.strips[:MOST_LOOKED_AT]]
        return held_cuts(starts, self.run, self.profile, self.instants, self.quiet)

    @cached_property
    def cuts(self) -> Sequence[int]:
        """Those of `strips` whose beginnings are cut."""
        if not self.held.any():
            return self.strips
        return SomeOf(self.strips, len(self.held), np.flatnonzero(~self.held))

    def boundary(self, number: int) -> int:
        """The running column at which a strip begins, by its place among the cuts."""
        return self._start(self.cuts[number])

    def _start(self, strip: int) -> int:
        return slot_start(strip, self.profile.columns_per_turn, self.run.strips_per_turn)

    def cuts_before(self, column: int) -> int:
        """How many cuts are made by the time that a running column is laid."""
        if not self.cuts:
            return 0
        return bisect_right(self.cuts, self._strip_of(column - self.profile.knife_columns - 1))

    def _strip_of(self, column: int) -> int:
        return slot_of(column, self.profile.columns_per_turn, self.run.strips_per_turn)


@dataclass(frozen=True, eq=False, kw_only=True)
class RemainingWork(RemainingColumns):
    """A run, what of it is printed, and what lies ahead of it, in dots too.

    Attributes:
        idle: how nozzles are kept open, as asked for.
        fed: columns of paper that it has taken, blank ones between its first and its newest included.
        printed_dots: of the columns laid; what was printed once more counts once more.
        dots_per_column: the mean of all columns that have a plate; None where none has.
        due_dots: the dots of each column that is due.
    """

    idle: IdleFiring | None
    fed: int
    printed_dots: int
    dots_per_column: float | None
    due_dots: NDArray[np.int64]

    @classmethod
    def of(
        cls, context: MachineContext, run: Run, plates: PlateStore, now: datetime, idle: IdleFiring | None
    ) -> RemainingWork:
        """Count the columns of a machine's run and their dots."""
        profile = context.profile_of(run)
        due, due_dots = [NONE], [NONE]
        out = left_out(run, profile, context.timeline, context.venue, now)
        for segment, dots in by_column(open_rows(run.id), profile, plates):
            is_due = _due(segment, out)
            due.append(segment.first_column + np.flatnonzero(is_due))
            due_dots.append(dots[is_due])
        return cls(
            run=run,
            profile=profile,
            now=now,
            timeline_of=context.timeline,
            idle=idle,
            fed=0 if run.paper_from is None or run.paper_to is None else run.paper_to - run.paper_from,
            printed_dots=sum(dots_laid([run], context.profile_of, plates).values()),
            dots_per_column=mean_drawn(run, profile, plates),
            due=np.concatenate(due),
            due_dots=np.concatenate(due_dots),
            quiet=quiet_of(context.venue),
            left_out=out,
        )

    @property
    def loud_share(self) -> float:
        """Which share of the time to come is not quiet, so that idle nozzles are fired."""
        begins, ends = max(self.now, self.run.starts_at), self.run.ends_at
        return loud_s(self.quiet, begins, ends) / (ends - begins).total_seconds() if begins < ends else 1.0

    def supplies(self, *, columns: int, dots: float | None, seconds: float, cuts: int) -> Supplies:
        """What some columns use up; dots are None where they are not known."""
        used = use(
            self.profile,
            columns=columns,
            dots=round(dots or 0.0),
            seconds=max(0.0, seconds),
            cuts=cuts,
            idle=self.idle,
        )
        return supplies(self.profile, used, self.idle, known=dots is not None)


def _due(segment: Segment, out: Ranges) -> NDArray[np.bool_]:
    """Which columns of a segment are due and are not left out; none of one beyond the run's end."""
    if segment.state == Segment.WITHDRAWN:
        return np.zeros(segment.end_column - segment.first_column, dtype=np.bool_)
    due = np.ones(segment.end_column - segment.first_column, dtype=np.bool_)
    for first, end, _ in segment.outcomes:
        due[first - segment.first_column : end - segment.first_column] = False
    for first, end in segment.again:
        due[first - segment.first_column : end - segment.first_column] = True
    for first, end in out:
        due[max(0, first - segment.first_column) : max(0, end - segment.first_column)] = False
    return due
