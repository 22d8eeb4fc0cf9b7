"""Ordering a run: checked against its machine, its picture and the sky before anything is written."""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from machines.errors import InputError
from machines.model.profile import Profile as MachineProfile
from machines.recovery import Policy
from scheduling.log import models
from scheduling.log.events.plans import RunPlanned
from scheduling.log.projections.shifts import waited_before
from scheduling.outages.rule_checks import RuleContext, require_policy_fits
from scheduling.planning.timeline import Timeline
from scheduling.queries.names import check_id, require_in_use
from scheduling.queries.runs import Model, cycle_named, machine_model, runs_standing
from scheduling.queries.venue_context import place_of
from scheduling.rendering.sky_parameters import turn_at
from scheduling.rendering.sources import render_source, require_fits
from scheduling.rendering.upload_store import UploadStore
from scheduling.sky import cycles
from scheduling.sky.anchors import LAST_YEAR
from scheduling.sky.places import Place
from scheduling.venues.local_time_text import instant_at_machine

# A run that is to begin now has begun by the time that the order is read.
NOW_MEANS = timedelta(minutes=1)


@dataclass(frozen=True, kw_only=True)
class PlanRun:
    """A machine prints a source against a cycle from an instant to another.

    Attributes:
        cycle_options: for ``period``: ``seconds`` and ``epoch`` (RFC 3339); nothing for the others.
        segments_per_turn: how many segments a turn is handed out and reported in.
        strips_per_turn: how many strips a turn is cut into; 0 to wind it up.
        nozzle_seed: of the assignment of nozzles; made from the id where it is not given.
        begins_in_the_past: that it may; what is over when it is planned is settled as missed.
        only_while_open: the closed hours of the venue are recesses, as if people held it.
    """

    id: str
    machine: str
    source: str
    cycle: str
    starts_at: datetime
    ends_at: datetime
    policy: Policy
    segments_per_turn: int = 48
    strips_per_turn: int = 0
    cycle_options: dict[str, Any] = field(default_factory=dict)
    nozzle_seed: int | None = None
    begins_in_the_past: bool = False
    only_while_open: bool = False

    def __post_init__(self) -> None:
        check_id(self.id)
        if self.ends_at <= self.starts_at:
            raise InputError("ends_at", "not after starts_at", "give an end after the start")


@dataclass(frozen=True, eq=False)
class RunContext:
    """What a run is planned on: read once, and handed to all that checks it. None of it changes once it was added.

    Attributes:
        machine, source: that the order names.
        venue: where the machine stands.
        model: the machine's, by its newest version.
        timeline: the columns against the cycle.
    """

    machine: models.Machine
    source: models.Source
    venue: models.Venue
    model: Model
    timeline: Timeline

    @property
    def profile(self) -> MachineProfile:
        """The machine's model in numbers."""
        return self.model.profile

    @property
    def streams(self) -> tuple[str, ...]:
        """The streams that it was read from."""
        machine = self.machine
        return (
            f"machine/{machine.id}",
            f"source/{self.source.id}",
            f"venue/{machine.venue_id}",
            f"profile/{machine.profile_id}",
        )


def read_run_context(command: PlanRun) -> RunContext:
    """What a run is planned on.

    Raises:
        InputError: there is no such machine, source or cycle.
    """
    machine = require_in_use(models.Machine, "machine", command.machine, "venue")
    source = require_in_use(models.Source, "source", command.source)
    model = machine_model(machine.profile_id)
    timeline = _timeline(command, model.profile, place_of(machine.venue))
    return RunContext(machine, source, machine.venue, model, timeline)


def by_another_cycle(context: RunContext, command: PlanRun) -> RunContext:
    """What was read for one run, for the same on the same machine by another cycle or other options of it.

    Raises:
        InputError: there is no such cycle.
    """
    return replace(context, timeline=_timeline(command, context.profile, place_of(context.venue)))


def plan_run(command: PlanRun, context: RunContext, *, after: str | None = None) -> RunPlanned:
    """The span becomes whole columns; a machine is on one run at a time, by the newest of model and source. ``after``
    names one that ends for it."""
    profile, timeline = context.profile, context.timeline
    require_within_reach("starts_at", command.starts_at)
    require_within_reach("ends_at", command.ends_at)
    require_free(command, after=after)
    if not 0 <= command.strips_per_turn <= profile.columns_per_turn:
        raise InputError("strips_per_turn", f"{command.strips_per_turn} strips", "give 0 to the columns of a turn")
    if command.strips_per_turn and profile.knife is None:
        raise InputError("strips_per_turn", "the machine has no knife", "give 0, or a machine with a knife")
    first, end = _span(command, timeline)
    _require_speed(profile, timeline.cycle.mean_turn_s)
    _require_open_hours(command, context.venue)
    require_policy_fits(command.policy, RuleContext(command.cycle, profile, timeline.cycle.mean_turn_s, context.venue))
    seed = zlib.crc32(command.id.encode()) if command.nozzle_seed is None else command.nozzle_seed
    return RunPlanned(
        machine=command.machine,
        source=command.source,
        cycle=command.cycle,
        cycle_options=command.cycle_options,
        segments_per_turn=command.segments_per_turn,
        strips_per_turn=command.strips_per_turn,
        starts_at=command.starts_at,
        ends_at=command.ends_at,
        first_column=first,
        end_column=end,
        policy=command.policy,
        nozzle_seed=seed,
        mean_turn_s=timeline.cycle.mean_turn_s,
        profile=context.model.id,
        profile_version=context.model.version,
        source_version=context.source.version,
        only_while_open=command.only_while_open,
    )


def _require_open_hours(command: PlanRun, venue: models.Venue) -> None:
    """See that a run that is printed only while open can be."""
    if not command.only_while_open:
        return
    if venue.hours is None:
        problem = f"nobody knows when {venue.name} is closed"
        raise InputError("only_while_open", problem, f"set the hours of venue {venue.id!r} first, or leave it out")
    if command.policy.rule_for("held").only_while_closed:
        problem = "what is missed is to be printed only while the venue is closed, when nothing is printed"
        raise InputError("only_while_open", problem, "leave one of the two out")


def require_within_reach(field: str, at: datetime | None) -> None:
    """See that an instant is of a year that anything is planned in; None is.

    Raises:
        InputError: it is not.
    """
    if at is not None and at.year > LAST_YEAR:
        raise InputError(field, f"the year {at.year} is out of reach", f"give one up to {LAST_YEAR}")


def require_from_now_on(at: datetime | None, now: datetime, machine: str) -> None:
    """See that an instant ``at`` which something is to happen to a run is to come, and within reach; None, for now, is.
    The ``machine``, by its id, stands where people see the clock.

    Raises:
        InputError: it is not.
    """
    require_within_reach("at", at)
    if at is not None and at < now - NOW_MEANS:
        told = instant_at_machine(at, machine)
        raise InputError("at", f"{told} is in the past", "give one from now on, or leave it out for now")


def require_begins_ahead(command: PlanRun, now: datetime) -> None:
    """See that a run begins from now on, or is asked for although it does not.

    Raises:
        InputError: it begins in the past.
    """
    if command.begins_in_the_past or command.starts_at >= now - NOW_MEANS:
        return
    raise InputError(
        "starts_at",
        f"{instant_at_machine(command.starts_at, command.machine)} is in the past",
        "begin later, or say begins_in_the_past: true: what is over, and not told as printed, is settled as missed",
    )


def _timeline(command: PlanRun, profile: MachineProfile, place: Place) -> Timeline:
    if command.cycle not in cycles.CYCLE_NAMES:
        raise InputError("cycle", f"{command.cycle!r} is no cycle", f"give one of: {', '.join(cycles.CYCLE_NAMES)}")
    try:
        cycle = cycle_named(command.cycle, command.cycle_options, place=place)
    except cycles.CycleError as error:
        raise InputError("cycle_options", error.problem, error.remedy) from error
    except InputError as error:
        raise error.within("cycle_options") from None
    return Timeline(cycle, profile.columns_per_turn, command.segments_per_turn)


def require_free(command: PlanRun, *, after: str | None = None) -> None:
    """See that a machine is on no other run in the span of one, but for one that ends for it. All else of a check stays
    true once it was.

    A run that the machine was on already, as it tells, is planned again as it was, also where the one before has waited
    into its span since: so it was when this server knew both.

    Raises:
        InputError: it is.
    """
    others = runs_standing(command.machine).filter(starts_at__lt=command.ends_at, ends_at__gt=command.starts_at)
    for other in others.exclude(id__in=[command.id, after or command.id]):
        if _has_waited_into(other, command):
            continue
        raise InputError(
            "starts_at",
            f"the machine is on run {other.id!r} until {instant_at_machine(other.ends_at, command.machine)}",
            "start after it ends, or choose another machine",
        )


def _has_waited_into(other: models.Run, command: PlanRun) -> bool:
    """Whether a run ended before another that its machine was on already."""
    told = models.ToldBefore.objects.filter(machine=command.machine, run=command.id)
    return other.ends_at - waited_before(other, other.end_column) <= command.starts_at and told.exists()


def _span(command: PlanRun, timeline: Timeline) -> tuple[int, int]:
    """First and end column; the cycle has to turn at every instant between them, too."""
    first, end = (_column_from(timeline, field, getattr(command, field)) for field in ("starts_at", "ends_at"))
    if end == first:
        raise InputError("ends_at", "no column belongs to so short a span", "give a later end")
    if command.cycle == "temporal-hours":
        require_sunrises(timeline, first, end)
    return first, end


def _column_from(timeline: Timeline, field: str, at: datetime) -> int:
    try:
        return timeline.first_column_from(at.timestamp())
    except InputError as error:
        raise InputError(field, error.problem, error.remedy) from error


def require_sunrises(timeline: Timeline, first: int, end: int) -> None:
    """A polar day or night in the middle would be found only when planning comes to it, weeks from now.

    Raises:
        InputError: there is one.
    """
    halves = np.arange(2 * (first // timeline.columns), 2 * (end // timeline.columns) + 2)
    try:
        timeline.cycle.instants(halves / 2.0)
    except InputError as error:
        raise InputError("cycle", error.problem, error.remedy) from error


def _require_speed(profile: MachineProfile, mean_turn_s: float) -> None:
    needed_mm_per_hour = profile.mm_per_turn / mean_turn_s * 3600.0
    if profile.highest_mm_per_hour < needed_mm_per_hour:
        raise InputError(
            "cycle",
            f"a turn takes {needed_mm_per_hour:.4g} mm/h and the machine prints {profile.highest_mm_per_hour:.4g}",
            "choose a slower cycle or a machine with a shorter turn",
        )


def require_picture_fits(command: PlanRun, context: RunContext, uploads: UploadStore | None) -> None:
    """The picture can be drawn on the machine: known now, instead of when its first turn is due."""
    turn = turn_at(context.timeline.cycle, command.starts_at)
    try:
        require_fits(render_source(context.source, uploads), context.profile, turn, place_of(context.venue))
    except InputError as error:
        raise error.within("source") from None
