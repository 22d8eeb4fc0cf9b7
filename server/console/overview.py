"""What the first page shows, gathered from the views: what needs a person, the world, machines, openings, venues."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import Q

from scheduling.log.models import Notice, Outage, Venue
from scheduling.log.projections.notices import ENTRIES_TOLD_AGAIN
from scheduling.outages.words_passed_over import decided_otherwise
from scheduling.queries.closed_away import machines_in_use
from scheduling.queries.machine_context import machine_contexts
from scheduling.queries.venue_context import VenueContext, venue_contexts
from server.accounts.open_pages import calendar_addresses
from server.console import formatting
from server.console.beginning import BeginningStep, beginning
from server.console.daylight import Daylight, daylight
from server.console.hours import doors
from server.console.machine_card import Station, station
from server.console.outage_words import outage_in_words
from server.console.own_work import late_in_words
from server.console.service_window_times import next_window
from server.console.wall import EVERYTHING, Chosen, Wall, wall
from server.console.world_map import WorldMap, world_map

OPENINGS_AHEAD = 12
OPENINGS_SINCE = timedelta(hours=6)
OUTAGES_SINCE = timedelta(days=7)
OUTAGES_SHOWN = 12


@dataclass(frozen=True)
class Bar:
    """A part of the day in one light: where it begins and how long it is, in thousandths of the day."""

    light: str
    x: float
    width: float


@dataclass(frozen=True)
class Hall:
    """A venue at this moment.

    Attributes:
        bars: its local day from midnight to midnight.
        now_x: this moment, in thousandths of the day.
        sun: where the Sun is there, in words.
        doors: whether it is open, in words.
        service: which service window is next, in words; empty for none.
        calendar: address of its calendar; None while it has none.
    """

    id: str
    name: str
    zone: str
    time: str
    date: str
    offset: str
    bars: tuple[Bar, ...]
    now_x: float
    sun: str
    doors: str
    service: str
    calendar: str | None
    stations: tuple[Station, ...]


@dataclass(frozen=True)
class There:
    """An instant by the clock of a venue."""

    venue: str
    time: str
    date: str
    zone: str
    is_own: bool


@dataclass(frozen=True)
class ComingOpening:
    """An opening, by every venue's clock."""

    id: str
    name: str
    venue: str
    named: str
    until: str
    is_past: bool
    everywhere: tuple[There, ...]


@dataclass(frozen=True)
class OverviewLine:
    """An outage."""

    machine: str
    what: str
    since: str
    is_open: bool


@dataclass(frozen=True)
class Overview:
    """All of it; ``headline`` and ``summary`` are what is read out when they change."""

    at: str
    headline: str
    summary: str
    wall: Wall
    world: WorldMap
    halls: tuple[Hall, ...]
    openings: tuple[ComingOpening, ...]
    outages: tuple[OverviewLine, ...]
    beginning: tuple[BeginningStep, ...]
    late: tuple[str, ...]

    @property
    def next_step(self) -> BeginningStep | None:
        """Of the beginning, the first that is not done."""
        return next((step for step in self.beginning if not step.is_done), None)

    @property
    def next_opening(self) -> ComingOpening | None:
        """The first that is not over."""
        return next((one for one in self.openings if not one.is_past), None)


def overview(now: datetime, chosen: Chosen = EVERYTHING) -> Overview:
    """Everything that the first page shows at an instant."""
    there = venue_contexts(Venue.objects.filter(retired_at=None).order_by("name", "id"))
    machines = machine_contexts(machines_in_use().order_by("name", "id"), now, there)
    stations = tuple(map(station, machines))
    notices = _notices(now)
    shown = wall(stations, notices, chosen)
    openings = _openings(there, now)
    names = {one.id: one.name for one in stations}
    calendars = calendar_addresses(there)
    minute = now.replace(second=0, microsecond=0)  # nobody sees the sky move in one, and an open page stays the same
    return Overview(
        at=f"{now:%H:%M:%S}",
        headline=shown.headline,
        summary=_summary(stations, sum(row.cleared_at is None for rows in notices.values() for row in rows)),
        wall=shown,
        world=world_map(minute, [one.venue for one in there.values()], stations),
        halls=tuple(
            _hall(one, minute, [of for of in stations if of.context.machine.venue_id == id], calendars[id])
            for id, one in there.items()
        ),
        openings=openings,
        outages=_outages(now, names),
        beginning=() if any(one.machine.epoch for one in machines) else beginning(),
        late=late_in_words(),
    )


def everywhere(at: datetime, own: str, venues: list[Venue]) -> tuple[There, ...]:
    """An instant by every venue's clock, the venue's own first."""
    in_order = sorted(venues, key=lambda venue: venue.id != own)
    return tuple(
        There(v.name, formatting.clock_time(at, v.zone), formatting.date(at, v.zone), v.zone, v.id == own)
        for v in in_order
    )


def _hall(there: VenueContext, now: datetime, stations: Sequence[Station], calendar: str | None) -> Hall:
    venue = there.venue
    day = daylight(there.place, venue.zone, now)
    return Hall(
        id=venue.id,
        name=venue.name,
        zone=venue.zone,
        time=formatting.clock_time(now, venue.zone),
        date=formatting.date(now, venue.zone),
        offset=formatting.offset(now, venue.zone),
        bars=tuple(
            Bar(one.light, _x(day, one.begins), _x(day, one.ends) - _x(day, one.begins)) for one in day.stretches
        ),
        now_x=_x(day, now),
        sun=_sun(day, venue.zone, now),
        doors=doors(venue, now),
        service=next_window(there, now),
        calendar=calendar,
        stations=tuple(stations),
    )


def _x(day: Daylight, at: datetime) -> float:
    return round(1000 * ((at - day.begins) / (day.ends - day.begins)), 1)


def _sun(day: Daylight, zone: str, now: datetime) -> str:
    up = "up" if day.light(now) == "day" else "down"
    turn = day.next_turn(now)
    if turn is None:
        return f"The Sun is {up} and stays so for days."
    at, kind = turn
    verb = "rises" if kind == "sunrise" else "sets"
    return f"The Sun is {up}; it {verb} at {formatting.clock_time(at, zone)}, in {formatting.duration(at - now)}."


def _openings(there: Mapping[str, VenueContext], now: datetime) -> tuple[ComingOpening, ...]:
    venues = [one.venue for one in there.values()]
    rows = [row for one in there.values() for row in one.openings if row.opens_at > now - OPENINGS_SINCE]
    return tuple(
        ComingOpening(
            id=row.id,
            name=row.name,
            venue=there[row.venue_id].venue.name,
            named=formatting.anchor(row.anchor),
            until=formatting.duration(row.opens_at - now),
            is_past=row.opens_at <= now,
            everywhere=everywhere(row.opens_at, row.venue_id, venues),
        )
        for row in sorted(rows, key=lambda row: (row.opens_at, row.id))[:OPENINGS_AHEAD]
    )


def _notices(now: datetime) -> dict[str, list[Notice]]:
    """Those that are open, and for a while what is over when it is told and yet has to be looked at; by machine."""
    recent = Notice.objects.filter(Q(cleared_at=None) | Q(kind=ENTRIES_TOLD_AGAIN, raised_at__gt=now - OUTAGES_SINCE))
    found: dict[str, list[Notice]] = {}
    for row in recent.filter(machine__retired_at=None).order_by("raised_at", "id"):
        found.setdefault(row.machine_id, []).append(row)
    return found


def _outages(now: datetime, names: Mapping[str, str]) -> tuple[OverviewLine, ...]:
    recent = Outage.objects.filter(Q(true_again_at=None) | Q(noticed_at__gt=now - OUTAGES_SINCE))
    rows = list(recent.order_by("-noticed_at", "id")[:OUTAGES_SHOWN])
    passed_over = decided_otherwise(rows)
    return tuple(_outage(row, names.get(row.machine_id, row.machine_id), now, row.id in passed_over) for row in rows)


def _outage(row: Outage, name: str, now: datetime, is_passed_over: bool) -> OverviewLine:
    said = outage_in_words(row, is_passed_over)
    return OverviewLine(name, said, formatting.duration(now - row.noticed_at), row.true_again_at is None)


def _summary(stations: Sequence[Station], notices: int) -> str:
    printing = sum(one.is_printing for one in stations)
    ended = sum(one.is_ended for one in stations)
    silent = sum(one.is_silent and not (one.is_missed or one.is_ended) for one in stations)
    missed = sum(one.is_missed for one in stations)
    machines = f"{len(stations)} machine{'' if len(stations) == 1 else 's'}"
    told = f"{notices} open notice{'' if notices == 1 else 's'}" if notices else "no open notices"
    counts = ((ended, "ended in order"), (silent, "silent"), (missed, "never heard"))
    away = "".join(f", {count} {how}" for count, how in counts if count)
    return f"{machines}: {printing} printing{away}; {told}"
