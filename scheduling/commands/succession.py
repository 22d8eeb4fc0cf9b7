"""What is told of a run that is to follow another, before it does."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from machines.clock import utc
from machines.model.slots import boundary_count
from scheduling.commands.changes import ChangeWarning, Figures, Preview
from scheduling.commands.checked import Checked
from scheduling.commands.end_run import Ending
from scheduling.commands.plan_run import RunContext
from scheduling.commands.preview_run import RunCheck, run_check
from scheduling.commands.run_changes import said_of
from scheduling.commands.run_figures import Printed, Stores, printed_instead
from scheduling.commands.visits import visits_in_words
from scheduling.log.events.plans import RunEnded, RunPlanned
from scheduling.log.models import Run, Segment
from scheduling.nodes.board_holds import board_holds
from scheduling.queries.history import FieldChange, differences
from scheduling.queries.run_versions import planned_by
from scheduling.queries.runs import as_planned
from scheduling.venues.local_time_text import venue_time


@dataclass(frozen=True, eq=False)
class Meeting:
    """Where one run ends and the next begins.

    Attributes:
        ending: the run that is followed.
        column: the one's end, the other's first.
        waits: how long the timeline has waited by then.
    """

    ending: Ending
    column: int
    waits: timedelta

    @property
    def at(self) -> datetime:
        """When the column belongs under the head, with all that the timeline has waited."""
        return utc(float(self.ending.timeline.instants(np.array([self.column]))[0])) + self.waits


@dataclass(frozen=True, eq=False)
class Succession:
    """What is told of it before it is done.

    Attributes:
        meeting: where the runs meet.
        event: by which the one ends.
        planned: the other.
        ended: the one, as it would be.
        checked: the other, as it was checked.
        now: this instant, UTC.
        stores: where files lie.
    """

    meeting: Meeting
    event: RunEnded
    planned: RunPlanned
    ended: Run
    checked: Checked
    now: datetime
    stores: Stores

    @property
    def context(self) -> RunContext:
        """What the other run is planned on."""
        return run_context(self.checked)

    def preview(self, warnings: tuple[ChangeWarning, ...]) -> Preview:
        """All of it; with what is warned of where the one run ends."""
        before, then = self.meeting.ending.run, as_planned(self._id, self.planned)
        check = run_check(then, self.context, self.now, self.stores.uploads, after=self.ended)
        of_then = (
            FieldChange(field=f"runs/{then.id}/{name}", before=None, after=value)
            for name, value in said_of(then).items()
            if value is not None
        )
        concerns = (
            one.as_warning() for one in check.warnings if one.kind != "begins-within-a-turn" or not self._strips_go_on
        )
        return Preview(
            fields=(*differences(said_of(before), said_of(self.ended)), *of_then),
            in_words=tuple(self._in_words(then, check)),
            warnings=(*warnings, *concerns),
            figures=self._figures(then),
        )

    def _figures(self, then: Run) -> Figures:
        """By how much more both print than the one would have."""
        ending = self.meeting.ending
        was = Printed(ending.run, range(self.meeting.column, ending.run.end_column), ending.profile)
        will_be = Printed(then, range(then.first_column, then.end_column), self.context.profile)
        return printed_instead(will_be, was, self.stores.plates)

    @property
    def _strips_go_on(self) -> bool:
        """Whether the knife cuts where it would have; a strip may hold the end of the one and the beginning of the
        other."""
        run = self.meeting.ending.run
        return (self.planned.machine, self.planned.strips_per_turn) == (run.machine_id, run.strips_per_turn)

    @property
    def _id(self) -> str:
        assert self.event.followed_by is not None
        return self.event.followed_by

    def _in_words(self, then: Run, check: RunCheck) -> Iterator[str]:
        ending, machine, venue = self.meeting.ending, self.context.machine, self.context.venue
        run, clock = ending.run, f"by the clock of {venue.zone}"
        meet = venue_time(then.starts_at, venue)
        from_to = f"from {meet} to {venue_time(then.ends_at, venue)}, {clock}"
        yield (
            f"{ending.machine.name} prints run {run.id} up to column {then.first_column}, and {machine.name} goes on"
            f" with that column as run {then.id}, {from_to}."
        )
        if self.meeting.waits:
            waited = f"{self.meeting.waits.total_seconds():.0f} s"
            yield f"The timeline has waited {waited} so far: the period of run {then.id} begins so much later."
        profile, columns = self.context.profile, then.end_column - then.first_column
        cuts = boundary_count(then.first_column, then.end_column, profile.columns_per_turn, then.strips_per_turn)
        yield (
            f"It has {columns} columns, {check.paper_mm / 1000.0:.3f} m of paper, {cuts if profile.knife else 0} cuts."
            f" {self._withdrawn()} segments that were planned of run {run.id} are withdrawn."
        )
        if then.holds:
            yield f"It is held as run {run.id} is."
        yield from self._revised(then)
        yield from visits_in_words(venue, then.starts_at, then.ends_at, f"{machine.name} is on run {then.id}.")
        yield f"Subscribed calendars show the end of the one and the beginning of the other on {meet}."
        yield ending.held.in_words
        if machine.id != run.machine_id:
            yield board_holds(then, machine).in_words

    def _withdrawn(self) -> int:
        beyond = Segment.objects.filter(run_id=self.meeting.ending.run.id, first_column__gte=self.meeting.column)
        return beyond.exclude(state=Segment.WITHDRAWN).count()

    def _revised(self, then: Run) -> Iterator[str]:
        """What is of another version since the run before was planned."""
        before = self.meeting.ending
        if then.source_id == before.run.source_id and then.source_version != before.run.source_version:
            was = before.run.source_version
            yield f"It prints version {then.source_version} of {self.context.source.name}, instead of version {was}."
        model, was = planned_by(before.run, before.machine)
        if then.profile == model and then.profile_version != was:
            name = self.context.profile.name
            yield f"It is printed by version {then.profile_version} of {name}, instead of version {was}."


def run_context(checked: Checked) -> RunContext:
    """What a run is planned on that was checked."""
    assert checked.run is not None
    return checked.run
