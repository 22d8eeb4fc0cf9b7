"""What is told of a run that is to follow another, before it does."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from machines.clock import utc
from machines.model.slots import boundary_count
from scheduling.commands.changes import ChangeWarning, Preview
from scheduling.commands.checked import Checked
from scheduling.commands.end_run import NAMED_ONE_BY_ONE, Ending, visits
from scheduling.commands.plan_run import RunContext
from scheduling.commands.preview_run import RunCheck, run_check
from scheduling.commands.run_changes import local_time, said_of
from scheduling.log.events.studio import RunEnded, RunPlanned
from scheduling.log.models import Run, Segment
from scheduling.nodes.board_holds import board_holds
from scheduling.queries.history import FieldChange, differences
from scheduling.queries.run_versions import planned_by
from scheduling.queries.runs import as_planned
from scheduling.rendering.upload_store import UploadStore


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
        uploads: where the files of sources lie.
    """

    meeting: Meeting
    event: RunEnded
    planned: RunPlanned
    ended: Run
    checked: Checked
    now: datetime
    uploads: UploadStore | None

    @property
    def context(self) -> RunContext:
        """What the other run is planned on."""
        return run_context(self.checked)

    def preview(self, warnings: tuple[ChangeWarning, ...]) -> Preview:
        """All of it; with what is warned of where the one run ends."""
        before, then = self.meeting.ending.run, as_planned(self._id, self.planned)
        check = run_check(then, self.context, self.now, self.uploads, after=self.ended)
        of_then = (
            FieldChange(field=f"runs/{then.id}/{name}", before=None, after=value)
            for name, value in said_of(then).items()
            if value is not None
        )
        concerns = (
            ChangeWarning(kind=one.kind, in_words=_sentence(one.in_words))
            for one in check.warnings
            if one.kind != "begins-within-a-turn" or not self._strips_go_on
        )
        return Preview(
            fields=(*differences(said_of(before), said_of(self.ended)), *of_then),
            in_words=tuple(self._in_words(then, check)),
            warnings=(*warnings, *concerns),
        )

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
        meet = local_time(then.starts_at, venue)
        from_to = f"from {meet} to {local_time(then.ends_at, venue)}, {clock}"
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
        yield from self._visits(then)
        yield f"Subscribed calendars show the end of the one and the beginning of the other on {meet}."
        yield ending.held.in_words
        if machine.id != run.machine_id:
            yield board_holds(then, machine).in_words

    def _withdrawn(self) -> int:
        return Segment.objects.filter(run_id=self.meeting.ending.run.id, first_column__gte=self.meeting.column).count()

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

    def _visits(self, then: Run) -> Iterator[str]:
        """Who comes while the new run is on, and what they find."""
        machine, venue = self.context.machine, self.context.venue
        there = [
            f"At {name}, on {local_time(at, venue)}, {machine.name} is on run {then.id}."
            for name, at in visits(venue, then.starts_at, then.ends_at)
        ]
        yield from there[:NAMED_ONE_BY_ONE]
        if len(there) > NAMED_ONE_BY_ONE:
            yield f"So it is for {len(there) - NAMED_ONE_BY_ONE} openings and service windows more."


def run_context(checked: Checked) -> RunContext:
    """What a run is planned on that was checked."""
    assert checked.run is not None
    return checked.run


def _sentence(said: str) -> str:
    return f"{said[0].upper()}{said[1:]}."
