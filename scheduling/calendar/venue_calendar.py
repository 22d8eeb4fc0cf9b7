"""What stands in a venue's calendar: its openings, dates with other hours, service windows, runs and what they use up,
and the sky.

An entry has a name for ever (`uid`), made from ids and from the digest of the venue's first event, which no other
studio's log has; so a calendar program knows it again when it has moved. It says when it last became what it is, by the
log, so that the same log gives the same calendar.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import TypeVar
from uuid import UUID

from machines.protocol.journal_entries import GapSettled
from machines.serialization import format_instant
from scheduling.calendar.entries import CalendarEntry, CalendarSpan, by_the_clock, midnight, uid_of
from scheduling.calendar.sky_entries import USUAL_SKY, check_sky, sky_entries
from scheduling.calendar.supply_entries import DECIDE, supply_ends
from scheduling.log.events import EVENT_KINDS
from scheduling.log.events.equipment import HoursSet, QuietHoursSet, VenueAdded, VenueChanged
from scheduling.log.events.plans import RunChanged, RunContinued, RunEnded, RunHeld, RunPlanned, RunWithdrawn
from scheduling.log.events.studio import StudioEvent
from scheduling.log.events.visits import OpeningCalledOff, OpeningFixed, ServiceWindowFixed
from scheduling.log.models import Event, Machine, Run, Source, Venue
from scheduling.planning.days_spans import DaySpan
from scheduling.queries.machine_context import MachineContext, machine_contexts
from scheduling.queries.runs import recesses_of
from scheduling.queries.venue_context import VenueContext, venue_context
from scheduling.rendering.plate_store import PlateStore
from scheduling.sky.civil import day_bounds
from scheduling.sky.zones import zone
from scheduling.venues.hours import venue_hours
from scheduling.venues.quiet import quiet_hours
from scheduling.venues.service_windows import windows_of

SpanT = TypeVar("SpanT", bound=DaySpan)


@dataclass(frozen=True, kw_only=True)
class VenueCalendar:
    """A venue's calendar over a span; its entries are in order."""

    uid: str
    venue: Venue
    entries: tuple[CalendarEntry, ...]


@dataclass(frozen=True)
class _Changed:
    """When something last became what it is, and by which event of its stream."""

    at: datetime
    version: int


def venue_calendar(
    venue: Venue, span: CalendarSpan, now: datetime, plates: PlateStore, sky: Sequence[str] = USUAL_SKY
) -> VenueCalendar:
    """A venue's calendar.

    Args:
        venue: whose.
        span: of what is shown; all that begins in it.
        now: this instant, UTC.
        plates: where plates lie, for when ink ends.
        sky: kinds of the almanac.

    Raises:
        InputError: of ``sky``, see `check_sky`; or that is more of the sky than `MOST_SKY`.
        EphemerisRangeError: the span reaches beyond the ephemeris.
    """
    check_sky(sky)
    kinds = [EVENT_KINDS[kind] for kind in (VenueAdded, VenueChanged)]
    first, *others = Event.objects.filter(stream=f"venue/{venue.id}", kind__in=kinds).order_by("version")
    names = UUID(hex=first.digest[:32])
    place = _Changed(others[-1].said_at if others else first.said_at, 1 + len(others))
    there = venue_context(venue)
    machines = list(Machine.objects.filter(venue_id=venue.id).order_by("id"))
    contexts = machine_contexts(machines, now, {venue.id: there})
    entries = [
        *_openings(there, span, names),
        *_hours(venue, names),
        *_quiet(venue, names),
        *_service(there, place, span, names),
        *_runs(venue, machines, span, names),
        *_supplies(venue, contexts, plates, names),
        *sky_entries(venue, sky, span, place.at, names),
    ]
    return VenueCalendar(uid=uid_of(names, "calendar"), venue=venue, entries=tuple(_in_order(entries, span)))


def _in_order(entries: Iterable[CalendarEntry], span: CalendarSpan) -> list[CalendarEntry]:
    """The entries that begin in a span; a whole day is placed by its date in UTC."""
    at = {entry.uid: _instant(entry.starts_at) for entry in entries}
    inside = (entry for entry in entries if span.start <= at[entry.uid] < span.end)
    return sorted(inside, key=lambda entry: (at[entry.uid], entry.uid))


def _openings(there: VenueContext, span: CalendarSpan, names: UUID) -> Iterator[CalendarEntry]:
    venue, openings = there.venue, [row for row in there.openings_ever if span.start <= row.opens_at < span.end]
    changed = _changed([f"opening/{row.id}" for row in openings], OpeningFixed, OpeningCalledOff)
    for row in openings:
        last = changed[f"opening/{row.id}"]
        yield CalendarEntry(
            uid=uid_of(names, f"opening/{row.id}"),
            starts_at=row.opens_at,
            ends_at=row.closes_at,
            category="opening",
            title=f"Called off: {row.name}" if row.called_off_at else f"Doors open: {row.name}",
            description=by_the_clock(row.opens_at, venue),
            changed_at=last.at,
            revision=last.version - 1,
            is_cancelled=row.called_off_at is not None,
        )


def _hours(venue: Venue, names: UUID) -> Iterator[CalendarEntry]:
    """Dates that differ from their weekday. The hours of every week would bury everything else, and staff know them."""
    hours = venue_hours(venue)
    if hours is None:
        return
    last = _changed([f"venue/{venue.id}"], HoursSet)[f"venue/{venue.id}"]
    for day, spans in _differing({one.date: one.open for one in hours.dates}, hours.week.days, venue):
        times = ", ".join(f"{span.opens}-{span.closes}" for span in spans)
        title = f"Open {times}: {venue.name}" if times else f"Closed: {venue.name}"
        other = f"By the clock of {venue.zone}; another {day:%A} has other hours."
        yield _all_day(uid_of(names, f"hours/{day}"), day, title, other, last)


def _quiet(venue: Venue, names: UUID) -> Iterator[CalendarEntry]:
    """The same of quiet hours."""
    hours = quiet_hours(venue)
    if hours is None:
        return
    last = _changed([f"venue/{venue.id}"], QuietHoursSet)[f"venue/{venue.id}"]
    for day, spans in _differing({one.date: one.quiet for one in hours.dates}, hours.week.days, venue):
        times = ", ".join(f"{span.begins}-{span.ends}" for span in spans)
        title = f"Quiet {times}: {venue.name}" if times else f"No quiet hours: {venue.name}"
        held = "In quiet hours strips are not cut, and no idle nozzle is fired." if times else "Strips are cut all day."
        other = f"By the clock of {venue.zone}; another {day:%A} has other quiet hours."
        yield _all_day(uid_of(names, f"quiet/{day}"), day, title, f"{held}\n{other}", last)


def _differing(
    dates: Mapping[str, tuple[SpanT, ...]], week: Sequence[tuple[SpanT, ...]], venue: Venue
) -> Iterator[tuple[date, list[SpanT]]]:
    for said, spans in dates.items():
        day = date.fromisoformat(said)
        begins, ends = day_bounds(day, zone(venue.zone))
        if begins != ends and sorted(spans, key=_minutes) != sorted(week[day.weekday()], key=_minutes):
            yield day, sorted(spans, key=_minutes)


def _all_day(uid: str, day: date, title: str, description: str, last: _Changed) -> CalendarEntry:
    return CalendarEntry(
        uid=uid,
        starts_at=day,
        category="hours",
        title=title,
        description=description,
        changed_at=last.at,
        revision=last.version - 1,
    )


def _service(there: VenueContext, place: _Changed, span: CalendarSpan, names: UUID) -> Iterator[CalendarEntry]:
    """Each time of a window that comes every week is an entry, named by its local date: where clocks change it is
    longer or shorter than a rule of recurrence would have it. It moves with the venue's zone, which is told of the
    venue alone."""
    venue, found = there.venue, windows_of(there, span.start, span.end)
    once = {window.id for window in there.windows if window.begins_at is not None}
    changed = _changed([f"service/{one.window}" for one in found], ServiceWindowFixed)
    for one in found:
        stream = f"service/{one.window}"
        last, name = changed[stream], stream
        if one.window not in once:
            last = _Changed(max(last.at, place.at), last.version + place.version - 1)
            name = f"{stream}/{one.starts_at.astimezone(zone(venue.zone)):%Y-%m-%d}"
        yield CalendarEntry(
            uid=uid_of(names, name),
            starts_at=one.starts_at,
            ends_at=one.ends_at,
            category="service",
            title=f"Service: {one.name}",
            description=f"{by_the_clock(one.starts_at, venue)}\n{DECIDE}",
            changed_at=last.at,
            revision=last.version - 1,
        )


def _runs(venue: Venue, machines: list[Machine], span: CalendarSpan, names: UUID) -> Iterator[CalendarEntry]:
    """Where runs begin and end, each an instant: a run of months as one entry would lie over all of them."""
    of = {machine.id: machine.name for machine in machines}
    runs = list(Run.objects.filter(machine_id__in=of, starts_at__lt=span.end, ends_at__gte=span.start))
    sources = dict(Source.objects.filter(id__in={run.source_id for run in runs}).values_list("id", "name"))
    said = _said_of_runs([run.id for run in runs])
    waited = _settled_at([run.id for run in runs if run.shifts])
    for run in runs:
        picture, newest = sources.get(run.source_id, run.source_id), said[run.id]
        for end, at, verb in (("begins", run.starts_at, "begins to print"), ("ends", run.ends_at, "has printed")):
            moved = len(run.shifts) if end == "ends" else 0
            off = "Withdrawn: " if run.withdrawn_at else ""
            yield CalendarEntry(
                uid=uid_of(names, f"run/{run.id}/{end}"),
                starts_at=at,
                category="run",
                title=f"{off}{of[run.machine_id]} {verb} {picture}",
                description=f"Run {run.id}, {run.cycle}.\n{by_the_clock(at, venue)}",
                changed_at=max(newest.at, waited[run.id]) if moved else newest.at,
                revision=moved + newest.version - 1,
                is_cancelled=run.withdrawn_at is not None,
            )
        if run.withdrawn_at is None:
            yield from _holds(venue, run, of[run.machine_id], newest, names)


def _holds(venue: Venue, run: Run, machine: str, newest: _Changed, names: UUID) -> Iterator[CalendarEntry]:
    """When nothing of a run is printed as people hold it, named by its beginning; one that was taken back is gone."""
    for recess in recesses_of(run):
        goes_on = "Until people let it go on." if recess.ends_at is None else "It then prints on by itself."
        yield CalendarEntry(
            uid=uid_of(names, f"run/{run.id}/held/{format_instant(recess.starts_at)}"),
            starts_at=recess.starts_at,
            ends_at=recess.ends_at,
            category="run",
            title=f"{machine} is held",
            description=f"Nothing of run {run.id} is printed. {goes_on}\n{by_the_clock(recess.starts_at, venue)}",
            changed_at=newest.at,
            revision=newest.version - 1,
        )


def _said_of_runs(runs: Sequence[str]) -> dict[str, _Changed]:
    """When people last said something of each run, and how often they have; the planner's turns lie between."""
    kinds = [EVENT_KINDS[kind] for kind in (RunPlanned, RunChanged, RunWithdrawn, RunEnded, RunHeld, RunContinued)]
    streams = [f"run/{run}" for run in runs]
    found: dict[str, _Changed] = {}
    for stream, said_at in (
        Event.objects.filter(stream__in=streams, kind__in=kinds).order_by("version").values_list("stream", "said_at")
    ):
        run = stream.removeprefix("run/")
        before = found.get(run)
        found[run] = _Changed(said_at, 1 if before is None else before.version + 1)
    return found


def _settled_at(runs: Sequence[str]) -> dict[str | None, datetime]:
    """When a gap of each run was last settled, as by letting the timeline wait."""
    settled = Event.objects.filter(run__in=runs, kind=EVENT_KINDS[GapSettled]).order_by("position")
    return dict(settled.values_list("run", "said_at"))


def _supplies(
    venue: Venue, machines: Sequence[MachineContext], plates: PlateStore, names: UUID
) -> Iterator[CalendarEntry]:
    for context in machines:
        machine = context.machine
        for end in supply_ends(context, plates):
            yield CalendarEntry(
                uid=uid_of(names, f"machine/{machine.id}/{end.part}/{end.number}"),
                starts_at=end.at,
                category="supplies",
                title=f"{end.title}: {machine.name}",
                description=f"{end.description}\n{by_the_clock(end.at, venue)}",
                changed_at=end.changed_at,
            )


def _changed(streams: Sequence[str], *kinds: type[StudioEvent]) -> dict[str, _Changed]:
    """The newest event of some kinds in each stream."""
    events = Event.objects.filter(stream__in=streams, kind__in=[EVENT_KINDS[kind] for kind in kinds])
    found = events.order_by("version").values_list("stream", "said_at", "version")
    return {stream: _Changed(said_at, version) for stream, said_at, version in found}


def _minutes(span: DaySpan) -> tuple[int, int]:
    return span.minutes


def _instant(at: datetime | date) -> datetime:
    return at if isinstance(at, datetime) else midnight(at)
