"""An outage that is open: what is known of it here and now, and what each way to settle it would mean.

Only a node's journal says what is missing on the paper. Until it has told, this is the server's guess from what was
reported last: that nothing was laid since. What was ordered and never seen finished, the server cannot know.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property

from machines.clock import utc
from machines.model.profile import Profile
from machines.operator.stop_causes import cause_of, stops_printing
from machines.protocol.messages import pace
from machines.recovery import Cause, Columns, Gap, Pace, Policy
from machines.serialization import structure
from scheduling.log.events.server import Because
from scheduling.log.models import Machine, Outage, Run, Segment, Venue
from scheduling.outages.rule_checks import RuleContext
from scheduling.planning.timeline import Timeline
from scheduling.queries.machine_context import MachineContext
from scheduling.queries.runs import first_due, open_segments, run_instants, run_policy, run_work
from scheduling.rendering.plate_store import PlateStore
from scheduling.supplies.consumption import planned_dots
from scheduling.venues.hours import closed_as_told

# As far ahead as closed hours are looked for when something is to be made good only then.
CLOSED_AHEAD = timedelta(days=31)
# What a machine was held by, as the cause that its node will name.
CAUSE_OF_HOLD: dict[str, Cause] = {"stopped": "service", "paused": "service", "parked": "service", "fault": "machine"}


@dataclass(frozen=True)
class OpenOutage:
    """Something is out of order with a run, and how it will be settled can still be said.

    Attributes:
        context: the machine.
        run: that it is on.
        because: no word from the node, a machine that is held, columns that are being printed late, or a machine that
            goes on by itself and has still to settle what it missed.
        since: when that began, UTC.
        outage: what was settled and is being made good, also where it is held in the middle; None for none.

    What follows from these is worked out once and kept: every choice asks for it anew.
    """

    context: MachineContext
    run: Run
    because: Because
    since: datetime
    outage: Outage | None = None

    @property
    def machine(self) -> Machine:
        """Whose."""
        return self.context.machine

    @property
    def profile(self) -> Profile:
        """The model of the machine."""
        return self.context.model_of(self.run)

    @property
    def venue(self) -> Venue:
        """Where it stands."""
        return self.context.venue

    @cached_property
    def timeline(self) -> Timeline:
        """The columns of the run against its cycle."""
        return self.context.timeline(self.run)

    @cached_property
    def policy(self) -> Policy:
        """What the run does where nobody says otherwise."""
        return run_policy(self.run)

    @cached_property
    def pace(self) -> Pace:
        """The pace that it will be settled with."""
        return pace(self.profile, run_work(self.run))

    @cached_property
    def rule_context(self) -> RuleContext:
        """What a rule has to fit."""
        return RuleContext(self.run.cycle, self.profile, self.run.mean_turn_s, self.venue)


def open_outage(context: MachineContext) -> OpenOutage | None:
    """What is open on a machine; None where nothing is, or where it is on no run."""
    row, run, late = context.machine, context.run, context.late_outage
    if run is None:
        return None
    if row.held_since is not None and row.hold:  # also in the middle of printing late, which then stands still, too
        return OpenOutage(context, run, "hold", row.held_since, late)
    if late is not None:
        return OpenOutage(context, run, "replay", late.noticed_at, late)
    if row.silent_since is not None:
        return OpenOutage(context, run, "silence", row.silent_since)
    if row.held_since is not None:
        settling = OpenOutage(context, run, "settling", row.held_since)
        return settling if next_due(settling) < row.held_since else None
    return None


def next_due(outage: OpenOutage) -> datetime:
    """When the first column that is still to be laid belongs under the head, as far as was reported: UTC."""
    return utc(float(run_instants(outage.run, [next_column(outage.run)], outage.timeline)[0]))


def gap_now(outage: OpenOutage, now: datetime, plates: PlateStore) -> Gap:
    """The gap that the node would settle at this instant, as far as the server knows.

    Args:
        outage: what is open.
        now: this instant, UTC.
        plates: where plates lie, for the ink of their dots.
    """
    run, waited = outage.run, timedelta(seconds=outage.run.shift_s)
    first = next_column(run)
    due = outage.timeline.first_column_from((now - waited).timestamp())
    end = min(max(first, outage.pace.burst_start_from(due)), run.end_column)
    return Gap(
        first=first,
        unknown_end=first,
        end=end,
        cause=_cause(outage),
        noticed_at=now,
        missing_since=next_due(outage),
        segment=_half_printed(run, first),
        closed=closed_as_told(outage.venue, now, now + CLOSED_AHEAD),
        dots_per_column=_dots_per_column(outage, first, end, plates),
    )


def next_column(run: Run) -> int:
    """The first column of a run that is still to be laid, as far as was reported."""
    segment = open_segments(run).first()
    column = None if segment is None else first_due(segment)
    return run.planned_to_column if column is None else column


def _half_printed(run: Run, first: int) -> Columns | None:
    """The segment before whose end printing stopped, where part of it lies on the paper."""
    segment = Segment.objects.filter(run_id=run.id, first_column__lt=first, end_column__gt=first).first()
    if segment is None or segment.printed == 0:
        return None
    return Columns(first=segment.first_column, end=segment.end_column)


def _dots_per_column(outage: OpenOutage, first: int, end: int, plates: PlateStore) -> float | None:
    """The mean of the missing columns; None where not all of them have a plate."""
    if first >= end:
        return None
    with_plate, dots = planned_dots(outage.run, range(first, end), outage.profile, plates)
    return dots / with_plate if with_plate == end - first else None


def _cause(outage: OpenOutage) -> Cause:
    """What the node will name as the cause, as far as can be known."""
    if outage.outage is not None:
        return structure(outage.outage.gap, Gap).cause
    if any(map(stops_printing, outage.machine.conditions)):
        return cause_of(outage.machine.conditions)
    return CAUSE_OF_HOLD.get(outage.machine.hold, "power")
