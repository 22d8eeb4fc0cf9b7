"""The paper of a machine from its newest report on: which columns are laid by an instant to come, and in which places.

Told is the plan, with what is known to hold it up: the recesses of the runs, with what is printed late after them at
the machine's highest speed, and columns that are late already. Places count on as in `scheduling.paper.strip_now`.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from machines.model.slots import slot_of
from machines.protocol.recesses import Recess
from scheduling.log.models import Run
from scheduling.paper.next_passage import OnRun, on_run
from scheduling.paper.printing_now import late_head
from scheduling.paper.strip_now import Laid
from scheduling.queries.machine_context import MachineContext
from scheduling.queries.runs import recesses_of
from scheduling.supplies.left_out import without
from scheduling.supplies.remaining_work import RemainingColumns
from scheduling.venues.quiet import quiet_of
from scheduling.venues.run_recesses import AROUND, recess_of, recesses_closed

# What is due just as a rest begins belongs to it.
JUST_BEFORE = timedelta(microseconds=1)


@dataclass(frozen=True, eq=False)
class RunToCome:
    """The columns of a run that are still to be laid, in their places.

    Attributes:
        context, on, work: the machine, the run on it, and what of it is to come.
        base: the place of the first column to come.
        late_since: when the board was heard that is late, with all columns to come before it; None where it is not.
        next_number: of the column that the board lays next, among those to come, as it said last.
    """

    context: MachineContext
    on: OnRun
    work: RemainingColumns
    base: int
    late_since: datetime | None = None
    next_number: int = 0

    @property
    def run(self) -> Run:
        """Which."""
        return self.on.run

    @property
    def columns(self) -> int:
        """How many are to come."""
        return len(self.work.due) + self.work.unplanned

    def end_due(self, at: datetime) -> int:
        """The column after those that belong on the paper by an instant: a burst does from its own instant on."""
        run, profile = self.run, self.on.profile
        if at < run.starts_at:
            return run.first_column
        if at >= run.ends_at:
            return run.end_column
        column = self.work.first_column_from(at)
        if float(self.on.instants([column])[0]) > at.timestamp():
            column -= 1
        end = profile.burst_start(column) + profile.columns_per_burst
        return max(run.first_column, min(end, run.end_column))

    def number_of(self, column: int) -> int:
        """How many are laid before a column."""
        return int(np.searchsorted(self.work.due, column)) + self.work.unplanned_before(column)

    def laid_by(self, at: datetime) -> int:
        """How many are laid by an instant.

        What is due comes as a queue that is served at the machine's highest speed while the run does not rest. What is
        laid is the least, over the beginnings of the rests before, of what was due then with what could be laid since.
        """
        if at < self.run.starts_at and self.late_since is None:
            return 0
        recesses = self._recesses(at)
        laid = self.number_of(self.end_due(at))
        for one in recesses:
            due_then = self.number_of(self.end_due(one.starts_at - JUST_BEFORE))
            laid = min(laid, due_then + self._could_lay(one.starts_at, at, recesses))
        if self.late_since is not None:
            laid = min(laid, self.next_number + self._could_lay(self.late_since, at, recesses))
        return max(0, min(laid, self.columns))

    def _recesses(self, at: datetime) -> list[Recess]:
        """Those that begin before an instant, and may still be felt at it, in order, apart from one another."""
        closed = recesses_closed(self.run, self.context.venue, max(self.run.starts_at, at - AROUND), at)
        said = (one for one in (*recesses_of(self.run), *closed) if one.starts_at < at)
        found: list[Recess] = []
        for one in sorted(said, key=lambda recess: recess.starts_at):
            last = found[-1] if found else None
            if last is not None and (last.ends_at is None or one.starts_at <= last.ends_at):
                ends = None if last.ends_at is None or one.ends_at is None else max(last.ends_at, one.ends_at)
                found[-1] = Recess(starts_at=last.starts_at, ends_at=ends)
            else:
                found.append(one)
        return found

    def _could_lay(self, since: datetime, at: datetime, recesses: Sequence[Recess]) -> int:
        """How many columns the machine can lay from one instant to another, but for recesses: the first burst is laid
        at once."""
        rests_s = sum(
            max(0.0, (min(one.ends_at or at, at) - max(one.starts_at, since)).total_seconds()) for one in recesses
        )
        open_s, profile = (at - since).total_seconds() - rests_s, self.on.profile
        if open_s <= 0.0:
            return 0
        return (
            int(open_s * profile.highest_columns_per_s() / profile.columns_per_burst) + 1
        ) * profile.columns_per_burst

    def numbered(self, first: int, end: int) -> NDArray[np.int64]:
        """The columns that are laid after so many others, up to another number."""
        due = self.work.due[first:end]
        more = min(end, self.columns) - max(first, len(self.work.due))
        if more <= 0:
            return due
        start = self.work.column_to_come(max(first, len(self.work.due)))
        last = self.work.column_to_come(min(end, self.columns) - 1)
        return np.concatenate([due, without(np.arange(start, last + 1), self.work.left_out)])

    def pieces(self, first: int, end: int) -> Iterator[Laid]:
        """The same as they lie side by side, each stretch in its place."""
        columns = self.numbered(max(first, 0), max(end, 0))
        breaks = np.flatnonzero(np.diff(columns) != 1) + 1
        place = self.base + max(first, 0)
        for part in np.split(columns, breaks):
            if len(part):
                yield Laid(place, int(part[0]), int(part[-1]) + 1, self.run.id)
                place += len(part)

    def boundaries_by(self, head: int) -> int:
        """How many of the cuts that are to come are made when the place under the head is this."""
        if not self.work.cuts:
            return 0
        number = head - self.on.profile.knife_columns - self.base
        column = self.work.column_to_come(number) if number >= 0 else self.work.next_column + number
        # Without a whole way to the knife after it a strip hangs on when its run ends.
        column = min(column, self.run.end_column - self.on.profile.knife_columns)
        return bisect_right(self.work.cuts, slot_of(column, self.on.profile.columns_per_turn, self.run.strips_per_turn))


def runs_to_come(
    context: MachineContext, head: int, since: datetime | None, until: datetime, imagined: Run | None = None
) -> list[RunToCome]:
    """What of a machine's runs that begin by an instant is still to be laid, in the order in which it is.

    Args:
        context: the machine, at this instant.
        head: the place under its head, as it is known.
        since: the instant of its newest report, UTC; None for none.
        until: the instant, UTC.
        imagined: a run that could be planned; None for none.
    """
    runs = [*context.runs, *([] if imagined is None else [imagined])]
    runs = sorted((run for run in runs if run.starts_at <= until), key=lambda run: (run.starts_at, run.id))
    found: list[RunToCome] = []
    for run in runs:
        on = on_run(context, run)
        work = RemainingColumns.of_run(
            run,
            on.profile,
            context.timeline,
            since or run.starts_at,
            context.group.open_by_run.get(run.id, ()),
            quiet_of(context.venue),
            context.venue,
        )
        # What the board said that it lays next stands at the head; before it lies what it has not told yet.
        told = _told_next(context, run) if not found else None
        one = RunToCome(context, on, work, head)
        number = 0 if told is None else one.number_of(told)
        late = _late_since(context, run, one, told) if told is not None else None
        found.append(RunToCome(context, on, work, head - number, late, number))
        head = head - number + one.columns
    return found


def _told_next(context: MachineContext, run: Run) -> int | None:
    told = None if context.heartbeat is None else context.heartbeat.status.get("next_column")
    return int(told) if told is not None and run.first_column <= told <= run.end_column else None


def _late_since(context: MachineContext, run: Run, one: RunToCome, told: int) -> datetime | None:
    """When it was heard, if it was late then by more than what a burst may be."""
    heartbeat = context.heartbeat
    if heartbeat is None or recess_of(run, context.venue, context.now) is not None:
        return None
    due = one.end_due(context.now) - 1
    return None if late_head(run, one.on.profile, heartbeat, due, context.now) is None else heartbeat.heard_at
