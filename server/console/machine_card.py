"""A machine at this moment: what it prints, where in the turn it is, and how it is."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from machines.model.profile import Profile
from scheduling.log.models import Heartbeat, Machine, PrintedStretch, Run, Segment, Source, Venue
from scheduling.log.projections.machines import STOPPED_BY_ITSELF
from scheduling.outages.open_outage import open_outage
from scheduling.queries.runs import current_run, knife_is_armed, machine_profile, run_policy, segment_work
from scheduling.supplies.forecast import coming_changes
from server.console import formatting
from server.console.pictures import WIDTH_PX, height_px

CHANGES_AHEAD = timedelta(days=28)

HELD = {
    "stopped": "stopped by a person there",
    "paused": "paused; to be resumed there",
    "parked": "parked for service",
    "unplanned-stop": "stopped unplanned; somebody must look",
    "fault": "stopped by a fault; somebody must look",
}


@dataclass(frozen=True)
class Place:
    """A running column, as the pages show it.

    Attributes:
        column: its number.
        x: where in the picture of the turn, as a viewer sees it, in thousandths from the left.
        turn: of the run, from 1.
        means: what the phase means in the sky.
    """

    column: int
    x: float
    turn: int
    means: str


@dataclass(frozen=True)
class CurrentPrint:
    """A run that a machine is on.

    Attributes:
        due: what belongs under the head now; None before the run's first column and after its last.
        head: what the node said that it lays next, where that is not what is due: it prints late.
        segment: which of the turn's is due, from 1.
        plate: digest of the turn's plate; None while nothing is planned.
        idle: why nothing is due, in words; empty where something is.
    """

    run: str
    source: str
    policy: str
    segment: int | None
    segments: int
    turns: int
    due: Place | None
    head: Place | None
    plate: str | None
    idle: str


@dataclass(frozen=True)
class Station:
    """A machine, its run and its node.

    Attributes:
        is_missed: it is to print, and was never heard.
        is_ended: it is to print, and its board was ended in order.
        wants_look: it is not known to print, though it should, and nobody there holds it.
        open_run: the run on which an outage is open, so that a person can decide what becomes of it; None for none.
        changes: what is to be changed within four weeks, and in which service window, in words.
    """

    id: str
    name: str
    profile: str
    printing: CurrentPrint | None
    state: str
    is_printing: bool
    is_silent: bool
    is_missed: bool
    is_ended: bool
    wants_look: bool
    open_run: str | None
    heard: str
    knife: str
    conditions: tuple[str, ...]
    changes: tuple[tuple[str, str], ...]
    picture_height: int
    paper: int | None
    travel: str


def station(machine: Machine, now: datetime) -> Station:
    """A machine at an instant."""
    profile = machine_profile(profile=machine.profile_id)
    beat = Heartbeat.objects.filter(machine_id=machine.id).first()
    printing = _printing(machine, profile, beat, now)
    found = open_outage(machine=machine.id, now=now)
    is_due = printing is not None and printing.due is not None
    is_silent, is_ended = machine.silent_since is not None, is_due and machine.stopped_at is not None
    paper = PrintedStretch.objects.filter(machine_id=machine.id).order_by("-version").values_list("version").first()
    return Station(
        id=machine.id,
        name=machine.name,
        profile=profile.name,
        printing=printing,
        state=_state(machine, printing, beat),
        is_printing=beat is not None and is_due and not (is_silent or is_ended or machine.hold),
        is_silent=is_silent,
        is_missed=was_missed(machine, beat),
        is_ended=is_ended,
        wants_look=is_silent or is_ended or machine.hold in STOPPED_BY_ITSELF,
        open_run=None if found is None else found.run.id,
        heard="never" if beat is None else f"{formatting.duration(now - beat.heard_at)} ago",
        knife=_knife(machine, profile, beat),
        conditions=tuple(machine.conditions),
        changes=tuple(_changes(machine, now)),
        picture_height=round(1000 * height_px(profile) / WIDTH_PX),
        paper=None if paper is None else paper[0],
        travel=profile.travel,
    )


def _changes(machine: Machine, now: datetime) -> Iterator[tuple[str, str]]:
    zone = Venue.objects.values_list("zone", flat=True).get(id=machine.venue_id)
    for part, end in coming_changes(machine, now):
        if end.at - now < CHANGES_AHEAD:
            window, until = end.change.window, end.change.until
            said = "overdue" if end.at <= now else f"before {formatting.moment(end.at, zone)}"
            if window is not None and until is not None:
                said = f"in {window.name}, {formatting.span(window.starts_at, until, zone)}"
            else:
                said += "; no service window by then"
            yield f"Change the {part}", said


def _knife(machine: Machine, profile: Profile, beat: Heartbeat | None) -> str:
    if profile.knife is None:
        return "none; the paper is wound up"
    if beat is None and machine.last_reported_at is None:
        return "not known"
    if not knife_is_armed(machine):
        return "disarmed"
    return "armed" if machine.stopped_at is None else "at rest; armed again when its board begins"


def was_missed(machine: Machine, beat: Heartbeat | None) -> bool:
    """Whether a machine is to print, and was never heard."""
    return machine.silent_since is not None and beat is None and machine.last_reported_at is None


def _state(machine: Machine, printing: CurrentPrint | None, beat: Heartbeat | None) -> str:
    if was_missed(machine, beat):
        return "never heard, and a run is due; somebody must look"
    if machine.epoch == 0:
        return "no node yet"
    if printing is None:
        return "nothing to print"
    if machine.stopped_at is not None:
        zone = Venue.objects.values_list("zone", flat=True).get(id=machine.venue_id)
        return f"its board was ended in order at {formatting.moment(machine.stopped_at, zone)}"
    if machine.silent_since is not None:
        return "silent; it may be printing on"
    if machine.hold:
        return HELD[machine.hold]
    if printing.due is None:
        return printing.idle
    return "printing late, catching up" if printing.head else "printing"


def _printing(machine: Machine, profile: Profile, beat: Heartbeat | None, now: datetime) -> CurrentPrint | None:
    run = current_run(machine=machine.id, before=now) or _next_run(machine, now)
    if run is None:
        return None
    segment = Segment.objects.filter(run_id=run.id, starts_at__lte=now, ends_at__gt=now).first()
    shown = segment or Segment.objects.filter(run_id=run.id).order_by("number").first()
    due = None if segment is None else _due_column(segment, now)
    zone = Venue.objects.values_list("zone", flat=True).get(id=machine.venue_id)
    return CurrentPrint(
        run=run.id,
        source=Source.objects.values_list("name", flat=True).get(id=run.source_id),
        policy=formatting.policy(run_policy(run)),
        segment=None if segment is None else segment.number % run.segments_per_turn + 1,
        segments=run.segments_per_turn,
        turns=(run.end_column - 1) // profile.columns_per_turn - run.first_column // profile.columns_per_turn + 1,
        due=None if due is None else _place(run, profile, due),
        head=_late_head(run, profile, beat, due, now),
        plate=None if shown is None else shown.plate,
        idle="" if due is not None else _idle(run, zone, now),
    )


def _idle(run: Run, zone: str, now: datetime) -> str:
    if now < run.starts_at:
        return f"begins {formatting.date(run.starts_at, zone)} {formatting.clock_time(run.starts_at, zone)}"
    return "its run is over; not all of it is reported" if run.ends_at <= now else "not planned as far as this"


def _next_run(machine: Machine, now: datetime) -> Run | None:
    return Run.objects.filter(machine_id=machine.id, starts_at__gt=now).order_by("starts_at", "id").first()


def _due_column(segment: Segment, now: datetime) -> int:
    """The running column whose instant was the last to come."""
    work = segment_work(segment)
    waited = segment.ends_at - work.knots[-1]
    columns = np.arange(work.first_column, work.end_column)
    passed = int(np.searchsorted(work.instants(columns), (now - waited).timestamp(), side="right"))
    return work.first_column + max(passed - 1, 0)


def _late_head(run: Run, profile: Profile, beat: Heartbeat | None, due: int | None, now: datetime) -> Place | None:
    """Where the head was when it was last heard of, if that was more than a burst behind what was due then."""
    told = None if beat is None else beat.status.get("next_column")
    if beat is None or told is None or due is None or not run.first_column <= told < run.end_column:
        return None
    since = (now - beat.heard_at).total_seconds() * profile.columns_per_turn / run.mean_turn_s
    behind = profile.burst_start(due - round(since)) - told
    return _place(run, profile, told) if behind > 2 * profile.columns_per_burst + 1 else None


def _place(run: Run, profile: Profile, column: int) -> Place:
    turn, within = divmod(column, profile.columns_per_turn)
    fraction = within / profile.columns_per_turn
    return Place(
        column=column,
        x=round(1000 * (1 - fraction if profile.travel == "right" else fraction), 1),
        turn=turn - run.first_column // profile.columns_per_turn + 1,
        means=formatting.under_the_head(run.cycle, fraction),
    )
