"""What the studio and the curator can order: commands, each with the function that turns it into events.

A command is checked whole before anything is written; an id is taken once.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from machines.dot_gain import ToneCurve
from machines.errors import InputError
from machines.pictures import Picture
from machines.profile import Profile as MachineProfile
from machines.recovery import Policy
from machines.structure import structure, unstructure
from machines.tone import Method
from scheduling.log import models
from scheduling.log.events import (
    Event,
    MachineAdded,
    OpeningFixed,
    ProfileAdded,
    RunPlanned,
    SourceAdded,
    VenueAdded,
)
from scheduling.log.store import Append, Attribution, LostRace, append
from scheduling.originals import check_upload, require_fits, source_original
from scheduling.planning.timeline import Timeline
from scheduling.selectors import cycle_named, machine_profile, venue_place
from scheduling.sky import anchors, cycles
from scheduling.sky.places import Place, PlaceError
from scheduling.sky.zones import zone
from scheduling.skynumbers import turn_at
from scheduling.uploads import UploadStore

ID = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,38}[a-z0-9])?")
LONGEST_NAME = 120


class Taken(Exception):
    """The id is in use."""

    def __init__(self, kind: str, id: str) -> None:
        super().__init__(f"there is a {kind} {id!r} already; choose another id")
        self.kind = kind
        self.id = id


class Unknown(InputError):
    """Something named does not exist."""

    def __init__(self, kind: str, id: str) -> None:
        super().__init__(kind, f"there is no {kind} {id!r}", f"add the {kind} first, or name one that exists")


def _check_id(id: str) -> None:
    if not ID.fullmatch(id):
        raise InputError("id", f"{id!r} cannot be an id", "give 1 to 40 of a-z, 0-9 and -, not - at an end")


def _check_name(name: str) -> None:
    if not 1 <= len(name.strip()) <= LONGEST_NAME:
        raise InputError("name", "empty or too long", f"give 1 to {LONGEST_NAME} characters")


@dataclass(frozen=True, kw_only=True)
class AddVenue:
    """A place where machines stand: degrees, east positive; metres above sea level; IANA time zone."""

    id: str
    name: str
    latitude_degrees: float
    longitude_degrees: float
    elevation_m: float = 0.0
    zone: str

    def __post_init__(self) -> None:
        _check_id(self.id)
        _check_name(self.name)
        try:
            Place(self.latitude_degrees, self.longitude_degrees, self.elevation_m)
        except PlaceError as error:
            field = error.field if error.field == "elevation_m" else f"{error.field}_degrees"
            raise InputError(field, "no place on the Earth", str(error)) from error
        zone(self.zone)


@dataclass(frozen=True, kw_only=True)
class AddProfile:
    """A model of machine."""

    id: str
    profile: MachineProfile

    def __post_init__(self) -> None:
        _check_id(self.id)


@dataclass(frozen=True, kw_only=True)
class AddMachine:
    """A machine of a profile at a venue."""

    id: str
    name: str
    venue: str
    profile: str

    def __post_init__(self) -> None:
        _check_id(self.id)
        _check_name(self.name)


@dataclass(frozen=True, kw_only=True)
class AddSource:
    """Something to print: a picture of one of the kinds of `machines.pictures`, with its parameters.

    Attributes:
        upload: SHA-256, in hexadecimal, of the uploaded file that it is drawn from, where it is drawn from one.
        method: how its tones become dots.
        curve: of the dot gain of the machine, paper and ink that it is meant for, read from a printed wedge; undone
            when its tones become dots.
    """

    # The curve stands here and not in the profile: it is measured when profile and machine have long been added, it
    # goes with paper and ink as much as with the model, and no node needs it.

    id: str
    name: str
    picture: Picture
    upload: str | None = None
    method: Method = "blue-noise"
    curve: ToneCurve | None = None

    def __post_init__(self) -> None:
        _check_id(self.id)
        _check_name(self.name)


@dataclass(frozen=True, kw_only=True)
class PlanRun:
    """A machine prints a source against a cycle from an instant to another.

    Attributes:
        cycle_options: for ``period``: ``seconds`` and ``epoch`` (RFC 3339); nothing for the others.
        segments_per_turn: how many segments a turn is handed out and reported in.
        strips_per_turn: how many strips a turn is cut into; 0 to wind it up.
        nozzle_seed: of the assignment of nozzles; made from the id where it is not given.
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

    def __post_init__(self) -> None:
        _check_id(self.id)
        if self.ends_at <= self.starts_at:
            raise InputError("ends_at", "not after starts_at", "give an end after the start")


@dataclass(frozen=True, kw_only=True)
class FixOpening:
    """Doors open at an instant that a civil time or an event of the sky names."""

    id: str
    venue: str
    name: str
    anchor: dict[str, Any]

    def __post_init__(self) -> None:
        _check_id(self.id)
        _check_name(self.name)


Command = AddVenue | AddProfile | AddMachine | AddSource | PlanRun | FixOpening


def _require(model: type[Any], kind: str, id: str) -> Any:
    row = model.objects.filter(id=id).first()
    if row is None:
        raise Unknown(kind, id)
    return row


def add_venue(command: AddVenue) -> Event:
    """A venue is what was said of it."""
    return VenueAdded(
        name=command.name,
        latitude_degrees=command.latitude_degrees,
        longitude_degrees=command.longitude_degrees,
        elevation_m=command.elevation_m,
        zone=command.zone,
    )


def add_profile(command: AddProfile) -> Event:
    """A profile is what was said of it."""
    return ProfileAdded(profile=command.profile)


def add_machine(command: AddMachine) -> Event:
    """Venue and profile must exist."""
    _require(models.Venue, "venue", command.venue)
    _require(models.Profile, "profile", command.profile)
    return MachineAdded(name=command.name, venue=command.venue, profile=command.profile)


def add_source(command: AddSource) -> Event:
    """The log keeps the picture with every default filled in, so that a later default does not change it."""
    return SourceAdded(
        name=command.name,
        picture=unstructure(command.picture),
        upload=command.upload,
        method=command.method,
        curve=command.curve,
    )


def plan_run(command: PlanRun) -> Event:
    """The span becomes whole columns; a machine is on one run at a time."""
    machine = _require(models.Machine, "machine", command.machine)
    _require(models.Source, "source", command.source)
    profile = machine_profile(profile=machine.profile_id)
    timeline = _timeline(command, profile, venue_place(venue=machine.venue_id))
    _require_free(command)
    if not 0 <= command.strips_per_turn <= profile.columns_per_turn:
        raise InputError("strips_per_turn", f"{command.strips_per_turn} strips", "give 0 to the columns of a turn")
    if command.strips_per_turn and profile.knife is None:
        raise InputError("strips_per_turn", "the machine has no knife", "give 0, or a machine with a knife")
    first, end = _span(command, timeline)
    _require_speed(profile, timeline.cycle.mean_turn_s)
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
    )


def _timeline(command: PlanRun, profile: MachineProfile, place: Place) -> Timeline:
    if command.cycle not in cycles.NAMES:
        raise InputError("cycle", f"{command.cycle!r} is no cycle", f"give one of: {', '.join(cycles.NAMES)}")
    try:
        cycle = cycle_named(command.cycle, command.cycle_options, place=place)
    except cycles.CycleError as error:
        raise InputError("cycle_options", error.problem, error.remedy) from error
    except InputError as error:
        raise error.within("cycle_options") from None
    return Timeline(cycle, profile.columns_per_turn, command.segments_per_turn)


def _require_free(command: PlanRun) -> None:
    others = models.Run.objects.filter(
        machine_id=command.machine, starts_at__lt=command.ends_at, ends_at__gt=command.starts_at
    )
    if other := others.first():
        raise InputError(
            "starts_at",
            f"the machine is on run {other.id!r} until {other.ends_at.isoformat()}",
            "start after it ends, or choose another machine",
        )


def _span(command: PlanRun, timeline: Timeline) -> tuple[int, int]:
    """First and end column."""
    try:
        first = timeline.first_column_from(command.starts_at.timestamp())
        end = timeline.first_column_from(command.ends_at.timestamp())
    except ValueError as error:
        raise InputError("starts_at", str(error), "choose a span that the cycle covers") from error
    if end == first:
        raise InputError("ends_at", "no column belongs to so short a span", "give a later end")
    return first, end


def _require_speed(profile: MachineProfile, mean_turn_s: float) -> None:
    needed_mm_per_hour = profile.mm_per_turn / mean_turn_s * 3600.0
    if profile.highest_mm_per_hour < needed_mm_per_hour:
        raise InputError(
            "cycle",
            f"a turn takes {needed_mm_per_hour:.4g} mm/h and the machine prints {profile.highest_mm_per_hour:.4g}",
            "choose a slower cycle or a machine with a shorter turn",
        )


def _require_fits(command: PlanRun, uploads: UploadStore | None) -> None:
    """The picture can be drawn on the machine: known now, instead of when its first turn is due."""
    machine = _require(models.Machine, "machine", command.machine)
    source = _require(models.Source, "source", command.source)
    profile, place = machine_profile(profile=machine.profile_id), venue_place(venue=machine.venue_id)
    turn = turn_at(_timeline(command, profile, place).cycle, command.starts_at)
    try:
        require_fits(source_original(source, uploads), profile, turn, place)
    except InputError as error:
        raise error.within("source") from None


def fix_opening(command: FixOpening) -> Event:
    """The anchor becomes an instant now; it stays beside it, so that people see how it was named."""
    venue = _require(models.Venue, "venue", command.venue)
    try:
        opens_at = anchors.resolve(anchors.parse(command.anchor), venue_place(venue=venue.id), zone(venue.zone))
    except InputError as error:
        raise error.within("anchor") from None
    return OpeningFixed(venue=command.venue, name=command.name, anchor=command.anchor, opens_at=opens_at)


HANDLERS: dict[type[Any], tuple[str, Callable[[Any], Event]]] = {
    AddVenue: ("venue", add_venue),
    AddProfile: ("profile", add_profile),
    AddMachine: ("machine", add_machine),
    AddSource: ("source", add_source),
    PlanRun: ("run", plan_run),
    FixOpening: ("opening", fix_opening),
}

# What has to be seen on a picture itself, with its file, before the command is carried out.
DRAWN: dict[type[Any], Callable[[Any, UploadStore | None], None]] = {
    AddSource: lambda command, uploads: check_upload(command.picture, command.upload, uploads),
    PlanRun: lambda command, uploads: _require_fits(command, uploads),
}


def handle(command: Command, by: Attribution, uploads: UploadStore | None = None) -> None:
    """Carry out a command: check it whole, then write its event as the first of a new stream.

    Args:
        command: what was ordered.
        by: whom.
        uploads: where the files of sources lie; None where no source has one.

    Raises:
        InputError: names the field that cannot be used.
        Taken: the id is in use.
    """
    kind, handler = HANDLERS[type(command)]
    event = handler(command)
    if type(command) in DRAWN:
        DRAWN[type(command)](command, uploads)
    try:
        append([Append(f"{kind}/{command.id}", 0, [event])], by)
    except LostRace:
        raise Taken(kind, command.id) from None


def read(data: Any, command: type[Command]) -> Command:
    """A command from JSON values.

    Raises:
        InputError: names the field that cannot be used.
    """
    return structure(data, command)
