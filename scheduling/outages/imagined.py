"""An outage that may be, or was, laid over a run: what would be missing of it.

Nothing is known there but from when to when the machine would stand still and why; what is on paper before is taken to
be whole, and no column to be in doubt. An outage of the run itself, from the log, is as its node told it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cached_property

from machines.clock import utc
from machines.errors import InputError
from machines.model.profile import Profile
from machines.protocol.messages import pace
from machines.recovery import Cause, Columns, Gap, Pace
from machines.serialization import structure
from scheduling.log.models import Outage, Run, Venue
from scheduling.outages.open_outage import CLOSED_AHEAD
from scheduling.outages.options import Missed
from scheduling.outages.rule_checks import RuleContext
from scheduling.planning.timeline import Timeline
from scheduling.queries.machine_context import MachineContext
from scheduling.queries.runs import run_instants, run_policy, run_work
from scheduling.rendering.plate_store import PlateStore
from scheduling.supplies.consumption import planned_dots
from scheduling.venues.hours import closed_as_told
from scheduling.venues.local_time_text import instant_at_machine


@dataclass(frozen=True, kw_only=True)
class ImaginedOutage:
    """A span in which a machine would lay nothing.

    Attributes:
        starts_at: from when on, UTC.
        ends_at: until when; the machine finds what is missing then.
        cause: why.
    """

    starts_at: datetime
    ends_at: datetime
    cause: Cause = "power"

    def __post_init__(self) -> None:
        if self.ends_at <= self.starts_at:
            raise InputError("ends_at", "not after starts_at", "give an end after the start")


@dataclass(frozen=True)
class RunThere:
    """A run on its machine, planned or not.

    Attributes:
        context: the machine.
        run: the row as it is, or as it would be.
    """

    context: MachineContext
    run: Run

    @cached_property
    def profile(self) -> Profile:
        """The model of the machine."""
        return self.context.model_of(self.run)

    @cached_property
    def timeline(self) -> Timeline:
        """The columns of the run against its cycle."""
        return self.context.timeline(self.run)

    @cached_property
    def pace(self) -> Pace:
        """The pace that its outages are settled with."""
        return pace(self.profile, run_work(self.run))

    @property
    def venue(self) -> Venue:
        """Where it is."""
        return self.context.venue

    def due(self, at: datetime) -> int:
        """The first column that is due at an instant or after it, within the run."""
        waited = timedelta(seconds=self.run.shift_s)
        column = self.timeline.first_column_from((at - waited).timestamp())
        return min(max(column, self.run.first_column), self.run.end_column)

    def instant(self, column: int) -> datetime:
        """When a column is due, UTC."""
        return utc(float(run_instants(self.run, [column], self.timeline)[0]))

    def missed(self, gap: Gap) -> Missed:
        """A gap of it, with all that it is settled by."""
        context = RuleContext(self.run.cycle, self.profile, self.run.mean_turn_s, self.venue)
        return Missed(self.run, run_policy(self.run), context, self.pace, gap)


def imagined_gap(there: RunThere, outage: ImaginedOutage, plates: PlateStore | None = None) -> Gap:
    """What would be missing.

    Args:
        there: the run.
        outage: when nothing would be laid; what of it lies outside the run counts for nothing.
        plates: where plates lie, for the ink of their dots; None where it is not asked for.

    Raises:
        InputError: nothing of the run is due in it.
    """
    first, end = (_first_burst_from(there, at) for at in (outage.starts_at, outage.ends_at))
    if outage.ends_at <= there.run.starts_at or first >= there.run.end_column:
        run = there.run
        begins, ends = (instant_at_machine(at, run.machine_id) for at in (run.starts_at, run.ends_at))
        raise InputError("starts_at", f"nothing of run {run.id} is due then", f"give a span from {begins} to {ends}")
    return Gap(
        first=first,
        unknown_end=first,
        end=max(first, end),
        cause=outage.cause,
        noticed_at=outage.ends_at,
        missing_since=there.instant(first),
        segment=_half_printed(there, first),
        closed=closed_as_told(there.venue, outage.ends_at, outage.ends_at + CLOSED_AHEAD),
        dots_per_column=_dots_per_column(there, first, end, plates),
    )


def past_gap(there: RunThere, row: Outage, plates: PlateStore | None = None) -> Gap:
    """What an outage of the log would be of a run: of its own as its node told it, but for a person's word; of another
    run's, its hours and its cause."""
    gap = structure(row.gap, Gap)
    if row.run_id == there.run.id:
        closed = gap.closed or closed_as_told(there.venue, gap.noticed_at, gap.noticed_at + CLOSED_AHEAD)
        return replace(gap, override=None, closed=closed)
    return imagined_gap(there, past_outage(row), plates)


def past_outage(row: Outage) -> ImaginedOutage:
    """From when to when an outage of the log was, and why.

    Raises:
        InputError: it is not known when it began, or nothing was missing.
    """
    gap = structure(row.gap, Gap)
    if gap.missing_since is None or gap.missing_since >= gap.noticed_at:
        raise InputError("outage", f"of {row.id} it is not known for how long it was", "give a span instead")
    return ImaginedOutage(starts_at=gap.missing_since, ends_at=gap.noticed_at, cause=gap.cause)


def _first_burst_from(there: RunThere, at: datetime) -> int:
    """The first column of the first burst of the run that begins at an instant or after it."""
    due = there.due(at)
    return due if due == there.run.first_column else min(there.pace.burst_start_from(due), there.run.end_column)


def _half_printed(there: RunThere, first: int) -> Columns | None:
    """The segment in the middle of which printing would stop."""
    whole = there.timeline.stretch(there.timeline.segment_of(first))
    begins, ends = max(whole.first_column, there.run.first_column), min(whole.end_column, there.run.end_column)
    return Columns(first=begins, end=ends) if begins < first < ends else None


def _dots_per_column(there: RunThere, first: int, end: int, plates: PlateStore | None) -> float | None:
    """The mean of the missing columns; None where not all of them have a plate."""
    if plates is None or first >= end:
        return None
    with_plate, dots = planned_dots(there.run, range(first, end), there.profile, plates)
    return dots / with_plate if with_plate == end - first else None
