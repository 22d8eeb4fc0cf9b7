"""What planning a run would come to, told before anything is written: where its rolls and blades end, in which service
windows they are to be changed, and what of it cannot go well or may not be meant.

Ink is not told: it is counted from plates, which are drawn when the run is planned.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import ClassVar
from zoneinfo import ZoneInfo

import numpy as np
from django.db.models import QuerySet
from numpy.typing import NDArray

from machines.clock import utc
from machines.model.supplies import whole_columns
from scheduling.commands.handlers import check_whole, require_new
from scheduling.commands.plan_run import PlanRun, RunContext
from scheduling.commands.quiet_concerns import quiet_concerns
from scheduling.commands.run_concerns import Concern, Plan, concerns, local_in_words
from scheduling.log.events.plans import RunPlanned
from scheduling.log.models import Run, Segment
from scheduling.queries.machine_context import MachineContext, machine_contexts
from scheduling.queries.runs import as_planned, has_columns_to_come, open_segments
from scheduling.queries.venue_context import VenueContext, venue_contexts
from scheduling.rendering.sky_parameters import turn_at
from scheduling.rendering.sources import render_source
from scheduling.rendering.upload_store import UploadStore
from scheduling.supplies.change_dates import Consumable
from scheduling.supplies.forecast import End, end_at
from scheduling.supplies.left_out import columns_in, left_out, without
from scheduling.supplies.parts import blade, roll_at
from scheduling.supplies.remaining_work import NONE, RemainingColumns
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


@dataclass(frozen=True, kw_only=True)
class RunCheck:
    """A run that could be planned.

    Attributes:
        run: id that was asked for.
        first_column, end_column: running columns that it would hold, the end excluded.
        paper_mm: fed by all of them that are laid.
        cuts: strokes of the knife until its last column is laid; at strips that are left out, too.
        ends: of rolls and of blades, in order of time, each taken to be changed in its service window, and where there
            is none as it ends; at most 24 of each.
        warnings: what should be put right, or be meant, before it is planned; one for each cause.
    """

    run: str
    first_column: int
    end_column: int
    paper_mm: float
    cuts: int
    ends: tuple[PartEnd, ...]
    warnings: tuple[Concern, ...]


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


def check_run(command: PlanRun, now: datetime, uploads: UploadStore | None) -> RunCheck:
    """What a run would come to; nothing is written.

    Args:
        command: that would plan it.
        now: this instant, UTC.
        uploads: where the files of sources lie; None where no source has one.

    Raises:
        InputError: it cannot be planned; names the field.
        IdInUse: its id is in use.
        ViewsSetAside: it cannot be checked.
    """
    checked = check_whole(command, now, uploads)
    require_new(command)
    assert isinstance(checked.event, RunPlanned) and checked.run is not None
    return run_check(as_planned(command.id, checked.event), checked.run, now, uploads)


def run_check(
    run: Run,
    context: RunContext,
    now: datetime,
    uploads: UploadStore | None,
    *,
    after: Run | None = None,
    due: NDArray[np.int64] = NONE,
    since: datetime | None = None,
) -> RunCheck:
    """What a run would come to.

    Args:
        run: as it would be; one that stands under its id is not counted beside it.
        context: what it is planned on.
        now: this instant, UTC.
        uploads: where the files of sources lie; None where no source has one.
        after: the run that it follows, as that would be then; None where it follows none.
        due: of what is planned of it, the running columns that are to come.
        since: parts that end before this instant, UTC, are not told; None tells all.
    """
    of_machine = machine_contexts([context.machine], now, venue_contexts([context.venue]))[0]
    profile, timeline = of_machine.profile, context.timeline
    plan = Plan(
        run=run,
        machine=of_machine.machine,
        venue=of_machine.venue,
        profile=profile,
        original=render_source(context.source, uploads),
        turn=turn_at(timeline.cycle, run.starts_at),
        now=now,
    )
    quiet = quiet_of(of_machine.venue)
    out = left_out(run, profile, lambda _: timeline, of_machine.venue, now)
    to_come = RemainingColumns(
        run=run,
        profile=profile,
        now=now,
        timeline_of=lambda _: timeline,
        due=without(due, out),
        quiet=quiet,
        left_out=out,
    )
    ends = [
        PartEnd(part=supply.part, end=end)
        for supply in _supplies(of_machine, to_come, after)
        for end in _walk(supply, of_machine.at_venue, now)
        if since is None or end.at >= since
    ]
    ends.sort(key=lambda one: (one.end.at, one.part))
    return RunCheck(
        run=run.id,
        first_column=run.first_column,
        end_column=run.end_column,
        paper_mm=(run.end_column - run.first_column - columns_in(out, run.first_column, run.end_column))
        * profile.column_pitch_mm,
        cuts=len(to_come.cuts),
        ends=tuple(ends),
        warnings=(*concerns(plan), *_of_quiet(to_come), *_of_ends(ends, plan.clock)),
    )


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
    for _ in range(MOST_ENDS):
        found = supply.end(served)
        if found is None:
            return
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


def _of_quiet(run: RemainingColumns) -> Iterator[Concern]:
    return (Concern(kind=kind, field="machine", in_words=words) for kind, words in quiet_concerns(run))


def _of_ends(ends: Sequence[PartEnd], clock: ZoneInfo) -> Iterator[Concern]:
    """What the ends of parts are warned of: one sentence for a cause, with the first and the last of them."""
    for part in ("roll", "blade"):
        of_part = [one.end for one in ends if one.part == part]
        without = [end for end in of_part if end.change.window is None]
        if without:
            words = without[0].change.in_words
            yield Concern(
                kind="no-window", field="ends_at", in_words=_once(part, without, f"{words} ({clock.key})", clock)
            )
        for falls in dict.fromkeys(end.falls for end in of_part if end.falls is not None):
            same = [end for end in of_part if end.falls == falls]
            words = f"the {part} ends {same[0].warning} ({clock.key})"
            yield Concern(kind="bad-moment", field="ends_at", in_words=_once(part, same, words, clock))


def _once(part: str, ends: Sequence[End], of_first: str, clock: ZoneInfo) -> str:
    """The sentence about the first of several ends, and how many more there are."""
    if len(ends) == 1:
        return of_first
    last = local_in_words(ends[-1].at, clock)
    count = f"{'at least ' if len(ends) == MOST_ENDS else ''}{len(ends)}"
    return f"{of_first}; so it is with {count} {part}s, the last {last}"
