"""Where rolls and blades end within a run that may be planned, one after the other, as each is changed in time."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from typing import ClassVar

import numpy as np
from django.db.models import QuerySet

from machines.clock import utc
from machines.model.supplies import whole_columns
from scheduling.log.models import Run, Segment
from scheduling.queries.machine_context import MachineContext
from scheduling.queries.runs import has_columns_to_come, open_segments
from scheduling.queries.venue_context import VenueContext
from scheduling.supplies.change_dates import Consumable
from scheduling.supplies.forecast import End, end_at
from scheduling.supplies.parts import blade, roll_at
from scheduling.supplies.remaining_work import RemainingColumns
from scheduling.venues.quiet import quiet_of

MOST_ENDS = 24


@dataclass(frozen=True, kw_only=True)
class PartEnd:
    """A part that ends within the run.

    Attributes:
        part: which.
        end: where, and in which service window it is to be changed.
    """

    part: Consumable
    end: End


@dataclass(frozen=True, eq=False)
class Supply(ABC):
    """A part, counted in what it serves of a run: columns of paper, or cuts.

    Attributes:
        run: that it serves.
        before: what its machine has still to do before that.
        left: how many the one at the machine still serves when the run begins.
        full: how many a new one serves.
    """

    run: RemainingColumns
    before: tuple[RemainingColumns, ...]
    left: int
    full: int
    part: ClassVar[Consumable]

    @abstractmethod
    def end(self, served: int) -> tuple[int, datetime] | None:
        """The running column at which a part ends with which so many of the run are served, and when, UTC; None where
        that is not within the run."""

    def served_by(self, at: datetime) -> int:
        """How many of the run are served before an instant; less than none, by how many the machine has still to do
        from then on before the run begins."""
        return self.served_of(self.run, at) - sum(self.all_of(one) - self.served_of(one, at) for one in self.before)

    @staticmethod
    @abstractmethod
    def all_of(run: RemainingColumns) -> int:
        """How many of a run are to come."""

    @staticmethod
    @abstractmethod
    def served_of(run: RemainingColumns, at: datetime) -> int:
        """How many of them belong before an instant."""


class Rolls(Supply):
    """Paper, in columns; a roll ends at the first column that it does not serve."""

    part = "roll"

    def end(self, served: int) -> tuple[int, datetime] | None:
        """See `Supply`."""
        column = self.run.column_to_come(served)
        return None if column >= self.run.run.end_column else (column, utc(float(self.run.instants(column))))

    @staticmethod
    def all_of(run: RemainingColumns) -> int:
        """See `Supply`."""
        return len(run.due) + run.unplanned

    @staticmethod
    def served_of(run: RemainingColumns, at: datetime) -> int:
        """See `Supply`."""
        column = run.first_column_from(at)
        return int(np.searchsorted(run.due, column)) + run.unplanned_before(column)


class Blades(Supply):
    """Cuts; a blade ends with the last that it is good for, when its place comes to the knife."""

    part = "blade"

    def end(self, served: int) -> tuple[int, datetime] | None:
        """See `Supply`."""
        last = max(1, served) - 1
        if last >= len(self.run.cuts):
            return None
        boundary = self.run.boundary(last)
        return boundary, utc(float(self.run.instants(boundary + self.run.profile.knife_columns)))

    @staticmethod
    def all_of(run: RemainingColumns) -> int:
        """See `Supply`."""
        return len(run.cuts)

    @staticmethod
    def served_of(run: RemainingColumns, at: datetime) -> int:
        """See `Supply`."""
        return run.cuts_before(run.first_column_from(at))


def part_ends(
    context: MachineContext, run: RemainingColumns, after: Run | None, most: int = MOST_ENDS
) -> list[PartEnd]:
    """The ends within a run, in order of time.

    Args:
        context: its machine.
        run: as it would be.
        after: the run that it follows, as that would be then; None where it follows none.
        most: how many of each part at most.
    """
    ends = [
        PartEnd(part=supply.part, end=end)
        for supply in _supplies(context, run, after)
        for end in islice(_walk(supply, context.at_venue, run.now), most)
    ]
    return sorted(ends, key=lambda one: (one.end.at, one.part))


def _supplies(context: MachineContext, run: RemainingColumns, after: Run | None) -> Iterator[Supply]:
    """The parts at a machine, less what it will use of them until a run begins. Where one is used up by then, another
    is taken to have followed."""
    profile, instead = context.profile, {} if after is None else {after.id: after}
    others = [one for one in context.runs if one.starts_at < run.run.starts_at and one.id != run.run.id]
    to_come = [one for one in (instead.get(one.id, one) for one in others) if has_columns_to_come(one)]
    quiet = quiet_of(context.venue)
    before = tuple(
        RemainingColumns.of_run(
            one, context.profile_of(one), context.timeline, run.now, _open_of(one), quiet, context.venue
        )
        for one in to_come
    )
    full = max(1, whole_columns(profile, profile.media.roll_m))
    left = whole_columns(profile, roll_at(context).left_m) - sum(map(Rolls.all_of, before))
    yield Rolls(run, before, _rest(left, full), full)
    at_machine = blade(context)
    if at_machine is not None:
        full = at_machine.cuts_per_blade
        left = full - at_machine.cuts_made - sum(map(Blades.all_of, before))
        yield Blades(run, before, _rest(left, full), full)


def _open_of(run: Run) -> QuerySet[Segment]:
    """Those that begin before its end, which may be nearer than it is known by."""
    return open_segments(run).filter(first_column__lt=run.end_column)


def _rest(left: int, full: int) -> int:
    """How many a part still serves; of the one that followed, where it is used up already."""
    return left if left >= 0 else left % full


def _walk(supply: Supply, there: VenueContext, now: datetime) -> Iterator[End]:
    """Each end of a part within the run: it is changed in time, and the next one is new from then on."""
    # A new part is of no use before the run if the one at the machine is as good as new.
    served, after = supply.left, now if supply.left < supply.full else max(now, supply.run.run.starts_at)
    while (found := supply.end(served)) is not None:
        column, at = found
        # Whoever stays while the next one is used up, too, changes that as it ends.
        turn, usable_from = column // supply.run.profile.columns_per_turn, min(after, at)
        end = end_at(there, supply.part, turn, column, at, usable_from)
        yield end
        if end.change.window is None:
            served, after = served + supply.full, at
        else:
            changed_at = min(max(end.change.window.starts_at, after), at)
            served = _rest(supply.served_by(changed_at) + supply.full, supply.full)
            after = end.change.window.ends_at
