"""What stands in a venue's calendar, and in one of several venues: openings, dates with other hours, service windows,
runs and what they use up, and the sky.

An entry has a name for ever (`uid`), made from ids and from the digest of the venue's first event, or of the log's
where it is the same at every venue; no other studio's log has those. So a calendar program knows it again when it has
moved. It is the same in every calendar that shows it: whoever has the studio's and a venue's does not get one thing as
two. It says when it last became what it is, by the log, so that the same log gives the same calendar.

All venues are read together: the number of queries grows neither with them nor with their machines. Only the forecast
of a machine is worked out by itself, once an hour.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from scheduling.calendar.entries import CalendarEntry, CalendarSpan, by_the_clock, midnight
from scheduling.calendar.hours_entries import hours_entries
from scheduling.calendar.known_venue import Changed, KnownVenue, known_venues, newest_of
from scheduling.calendar.run_entries import run_entries
from scheduling.calendar.sky_entries import USUAL_SKY, check_sky, sky_entries
from scheduling.calendar.supply_entries import DECIDE, supply_ends
from scheduling.log.events.visits import OpeningCalledOff, OpeningFixed, ServiceWindowFixed
from scheduling.log.models import Machine, Venue
from scheduling.queries.machine_context import MachineContext, machine_contexts
from scheduling.rendering.plate_store import PlateStore
from scheduling.sky.zones import zone
from scheduling.venues.service_windows import windows_of


@dataclass(frozen=True, kw_only=True)
class VenueCalendar:
    """A venue's calendar over a span; its entries are in order."""

    uid: str
    venue: Venue
    entries: tuple[CalendarEntry, ...]


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
    known = known_venues([venue])
    entries = entries_at(known, span, now, plates, sky)
    return VenueCalendar(uid=known[0].uid("calendar"), venue=venue, entries=entries)


def entries_at(
    venues: Sequence[KnownVenue], span: CalendarSpan, now: datetime, plates: PlateStore, sky: Sequence[str]
) -> tuple[CalendarEntry, ...]:
    """What the calendars of some venues hold, in order of time; as for `venue_calendar`."""
    by_id = {one.venue.id: one for one in venues}
    machines = list(Machine.objects.filter(venue_id__in=by_id).order_by("id"))
    contexts = machine_contexts(machines, now, {id: one.there for id, one in by_id.items()})
    entries = [
        *_openings(venues, span),
        *hours_entries(venues),
        *_service(venues, span),
        *run_entries(by_id, machines, span),
        *_supplies(by_id, contexts, plates),
        *sky_entries(venues, sky, span),
    ]
    return tuple(_in_order(entries, span))


def _in_order(entries: Iterable[CalendarEntry], span: CalendarSpan) -> list[CalendarEntry]:
    """The entries that begin in a span; a whole day is placed by its date in UTC."""
    at = {entry.uid: _instant(entry.starts_at) for entry in entries}
    inside = (entry for entry in entries if span.start <= at[entry.uid] < span.end)
    return sorted(inside, key=lambda entry: (at[entry.uid], entry.uid))


def _openings(venues: Sequence[KnownVenue], span: CalendarSpan) -> Iterator[CalendarEntry]:
    rows = [(one, row) for one in venues for row in one.there.openings_ever if span.start <= row.opens_at < span.end]
    changed = newest_of([f"opening/{row.id}" for _, row in rows], OpeningFixed, OpeningCalledOff)
    for known, row in rows:
        last = changed[f"opening/{row.id}"]
        yield known.entry(
            f"opening/{row.id}",
            "opening",
            row.opens_at,
            f"Called off: {row.name}" if row.called_off_at else f"Doors open: {row.name}",
            by_the_clock(row.opens_at, known.venue),
            last,
            ends_at=row.closes_at,
            is_cancelled=row.called_off_at is not None,
        )


def _service(venues: Sequence[KnownVenue], span: CalendarSpan) -> Iterator[CalendarEntry]:
    """Each time of a window that comes every week is an entry, named by its local date: where clocks change it is
    longer or shorter than a rule of recurrence would have it. It moves with the venue's zone, which is told of the
    venue alone."""
    found = [(one, window) for one in venues for window in windows_of(one.there, span.start, span.end)]
    once = {window.id for one in venues for window in one.there.windows if window.begins_at is not None}
    changed = newest_of([f"service/{window.window}" for _, window in found], ServiceWindowFixed)
    for known, one in found:
        stream = f"service/{one.window}"
        last, name, place = changed[stream], stream, known.place
        if one.window not in once:
            last = Changed(max(last.at, place.at), last.version + place.version - 1)
            name = f"{stream}/{one.starts_at.astimezone(zone(known.venue.zone)):%Y-%m-%d}"
        yield known.entry(
            name,
            "service",
            one.starts_at,
            f"Service: {one.name}",
            f"{by_the_clock(one.starts_at, known.venue)}\n{DECIDE}",
            last,
            ends_at=one.ends_at,
        )


def _supplies(
    venues: Mapping[str, KnownVenue], machines: Sequence[MachineContext], plates: PlateStore
) -> Iterator[CalendarEntry]:
    for context in machines:
        machine, known = context.machine, venues[context.machine.venue_id]
        for end in supply_ends(context, plates):
            yield known.entry(
                f"machine/{machine.id}/{end.part}/{end.number}",
                "supplies",
                end.at,
                f"{end.title}: {machine.name}",
                f"{end.description}\n{by_the_clock(end.at, known.venue)}",
                Changed(end.changed_at, 1),
            )


def _instant(at: datetime | date) -> datetime:
    return at if isinstance(at, datetime) else midnight(at)
