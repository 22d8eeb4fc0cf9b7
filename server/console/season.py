"""The season: the machines of every venue over months, their runs as lengths of their own pictures, openings, service
windows, what ends when, and what cannot stay so."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from django.db.models import OuterRef, Subquery
from django.urls import reverse

from machines.model.profile import Profile
from scheduling.log.models import Notice, Run, Segment, Source, Venue
from scheduling.queries.closed_away import machines_in_use
from scheduling.queries.machine_context import MachineContext, machine_contexts
from scheduling.queries.venue_context import VenueContext, venue_contexts
from scheduling.sky.ephemeris import EphemerisRangeError
from scheduling.venues.service_windows import windows_of
from server.console import formatting
from server.console.needs import as_counted
from server.console.own_clock import NO_CLOCK, OwnClock
from server.console.season_doubts import Doubt, doubted, doubts
from server.console.season_ends import PartEnd, part_ends
from server.console.season_moves import Move, Moves
from server.console.season_span import SeasonSpan
from server.console.sun_ribbon import Ribbon, ribbon

BAR_PX, NARROWEST_TILE_PX, WIDEST_TILE_PX = 44, 16, 640
# So many different pictures are shown; a page that asked for hundreds at once would be refused some.
MOST_PICTURES = 24
# Names of openings stand so far apart, and on a telephone, per cent of the width.
NAMES_APART, FAR_APART = 12.0, 46.0
LATE = 84.0


@dataclass(frozen=True)
class Tile:
    """A turn of a picture, of which a run is a length; pixels."""

    id: str
    address: str
    width: int


@dataclass(frozen=True)
class RunBar:
    """A run: from where, and how wide, in per cent; ``is_later`` while it has not begun; ``when`` by the clock there,
    ``yours`` by the reader's own; ``move`` for who may."""

    id: str
    name: str
    tile: str
    x: float
    width: float
    is_later: bool
    when: str
    yours: str
    move: Move | None


@dataclass(frozen=True)
class OpeningLine:
    """An opening; ``short`` is empty where another's is too near, ``is_near`` where it is on a narrow screen."""

    id: str
    x: float
    name: str
    short: str
    anchor: str
    when: str
    yours: str
    is_wrong: bool
    move: Move | None
    is_near: bool = False


@dataclass(frozen=True)
class MachineTrack:
    """A machine over the season; ``doubts`` is what speaks against openings there, ``wrong`` what cannot stay so, in
    words, ``plan`` a run to come, for who may."""

    id: str
    name: str
    runs: tuple[RunBar, ...]
    ends: tuple[PartEnd, ...]
    doubts: tuple[Doubt, ...]
    wrong: tuple[str, ...]
    plan: Move | None


@dataclass(frozen=True)
class VenueTracks:
    """A venue over the season: its daylight, None where no almanac reaches; its openings, when somebody with hands is
    there, its machines."""

    id: str
    name: str
    zone: str
    ribbon: Ribbon | None
    openings: tuple[OpeningLine, ...]
    windows: tuple[float, ...]
    machines: tuple[MachineTrack, ...]
    wrong: tuple[str, ...]


@dataclass(frozen=True)
class Season:
    """All of it, and in a sentence how much it is."""

    span: SeasonSpan
    venues: tuple[VenueTracks, ...]
    tiles: tuple[Tile, ...]
    said: str


@dataclass(frozen=True)
class _Planned:
    """What the season is drawn from, read once."""

    span: SeasonSpan
    moves: Moves
    own: OwnClock
    runs: Mapping[str, Sequence[Run]]
    sources: Mapping[str, str]
    tiles: Mapping[str, Tile]
    doubted: Mapping[str, Sequence[Notice]]


def season(span: SeasonSpan, moves: Moves, own: OwnClock = NO_CLOCK) -> Season:
    """What is planned over some months, and what of it can be moved; its times are told by ``own``, too."""
    there = venue_contexts(Venue.objects.filter(retired_at=None).order_by("name", "id"))
    machines = machines_in_use().filter(venue_id__in=there).order_by("name", "id")
    contexts = machine_contexts(machines, moves.now, there)
    runs = _runs([one.machine.id for one in contexts], span)
    sources = dict(Source.objects.filter(id__in={run.source_id for run in runs}).values_list("id", "name"))
    tiles = _tiles(contexts, runs)
    by_machine: dict[str, list[Run]] = {}
    for run in runs:
        by_machine.setdefault(run.machine_id, []).append(run)
    planned = _Planned(span, moves, own, by_machine, sources, tiles, doubted([one.machine.id for one in contexts]))
    venues = tuple(
        _venue(one, [of for of in contexts if of.venue.id == one.venue.id], planned) for one in there.values()
    )
    openings = sum(len(one.openings) for one in venues)
    return Season(
        span=span,
        venues=venues,
        tiles=tuple(tiles.values()),
        said=f"{_some(len(venues), 'venue')}, {_some(len(runs), 'run')}, {_some(openings, 'opening')}",
    )


def _some(number: int, what: str) -> str:
    return f"{number or 'no'} {what}{'' if number == 1 else 's'}"


def _runs(machines: Sequence[str], span: SeasonSpan) -> list[Run]:
    """Those of the season, each with the digest of its first plate that is drawn."""
    plate = Segment.objects.filter(run_id=OuterRef("id")).order_by("number").values("plate")[:1]
    rows = Run.objects.filter(
        machine_id__in=machines, withdrawn_at=None, starts_at__lt=span.ends, ends_at__gt=span.begins
    )
    return list(rows.annotate(plate=Subquery(plate)).order_by("starts_at", "id"))


def _tiles(contexts: Sequence[MachineContext], runs: Sequence[Run]) -> dict[str, Tile]:
    """A picture of each run, by what it looks like: what many machines print is asked for once."""
    models: Mapping[str, Profile] = {one.machine.id: one.model for one in contexts}
    tiles: dict[str, Tile] = {}
    for run in runs:
        key, model = _looks(run), models[run.machine_id]
        if key in tiles or len(tiles) == MOST_PICTURES:
            continue
        width = round(BAR_PX * model.mm_per_turn / model.print_width_mm)
        width = min(max(width, NARROWEST_TILE_PX), WIDEST_TILE_PX)
        plate: str | None = getattr(run, "plate", None)
        if plate is not None:
            address = reverse("plate-picture", args=[run.machine_id, plate])
        else:
            address = f"{reverse('run-tile', args=[run.id])}?v={run.revision}"
        tiles[key] = Tile(f"tile-{len(tiles)}", address, width)
    return tiles


def _looks(run: Run) -> str:
    """What runs that look alike have in common: the plate that is drawn, or else what they will be drawn from."""
    plate: str | None = getattr(run, "plate", None)
    return plate or "/".join(map(str, (run.source_id, run.source_version, run.profile, run.cycle)))


def _venue(there: VenueContext, contexts: Sequence[MachineContext], planned: _Planned) -> VenueTracks:
    venue, span = there.venue, planned.span
    mine = [run for one in contexts for run in planned.runs.get(one.machine.id, ())]
    openings = tuple(_openings(there, planned, mine, bool(contexts)))
    return VenueTracks(
        id=venue.id,
        name=venue.name,
        zone=venue.zone,
        ribbon=_daylight(there, span),
        openings=openings,
        windows=tuple(span.x(one.starts_at) for one in windows_of(there, span.begins, span.ends)),
        machines=tuple(_track(one, planned) for one in sorted(contexts, key=lambda one: as_counted(one.machine.name))),
        wrong=tuple(f"Nothing is printed there at {one.name}, {one.when}." for one in openings if one.is_wrong),
    )


def _daylight(there: VenueContext, span: SeasonSpan) -> Ribbon | None:
    try:
        return ribbon(there.place, there.clock, span.begins, span.ends)
    except EphemerisRangeError:
        return None


def _openings(there: VenueContext, planned: _Planned, runs: Sequence[Run], has_machines: bool) -> Iterator[OpeningLine]:
    """One to come at which no machine of the venue prints is no opening of anything."""
    last, span = -NAMES_APART, planned.span
    for row in there.openings:
        if not span.begins <= row.opens_at < span.ends:
            continue
        x = span.x(row.opens_at)
        is_named = x - last >= NAMES_APART
        is_near, last = x - last < FAR_APART and last >= 0, x if is_named else last
        local, time = row.opens_at.astimezone(there.clock), formatting.clock_time(row.opens_at, there.venue.zone)
        prints = any(run.starts_at <= row.opens_at < run.ends_at for run in runs)
        yield OpeningLine(
            id=row.id,
            x=x,
            name=row.name,
            short=f"{local:%a} {local.day} {local:%b}, {time}" if is_named else "",
            anchor="end" if x > LATE else "start",
            when=formatting.moment(row.opens_at, there.venue.zone),
            yours=planned.own.moment(row.opens_at),
            is_wrong=has_machines and not prints and row.opens_at > span.now,
            move=planned.moves.of_opening(row, there.venue),
            is_near=is_near,
        )


def _track(context: MachineContext, planned: _Planned) -> MachineTrack:
    machine = context.machine
    runs = planned.runs.get(machine.id, ())
    ends = list(part_ends(context, planned.span, runs))
    return MachineTrack(
        id=machine.id,
        name=machine.name,
        runs=tuple(_bar(context, run, planned) for run in runs),
        ends=tuple(one for one in ends if 0 <= one.x <= 100),
        doubts=doubts(planned.doubted.get(machine.id, ()), context.at_venue, planned.span),
        wrong=tuple(one.said for one in ends if one.is_wrong),
        plan=planned.moves.to_plan(machine.id, context.venue, planned.span.first),
    )


def _bar(context: MachineContext, run: Run, planned: _Planned) -> RunBar:
    x, end = max(planned.span.x(run.starts_at), 0.0), min(planned.span.x(run.ends_at), 100.0)
    tile = planned.tiles.get(_looks(run))
    zone, own = context.venue.zone, planned.own
    return RunBar(
        id=run.id,
        name=planned.sources.get(run.source_id, run.source_id),
        tile="" if tile is None else tile.id,
        x=x,
        width=round(max(end - x, 0.15), 3),
        is_later=run.starts_at > context.now,
        when=f"from {formatting.moment(run.starts_at, zone)} to {formatting.moment(run.ends_at, zone)}",
        yours=f"from {own.moment(run.starts_at)} to {own.moment(run.ends_at)}" if own.zone else "",
        move=planned.moves.of_run(run, context.venue),
    )
