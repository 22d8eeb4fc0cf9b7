"""Dates on which a venue is open, or quiet, at other hours than on another such weekday."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import TypeVar

from scheduling.calendar.entries import CalendarEntry
from scheduling.calendar.known_venue import Changed, KnownVenue, newest_of
from scheduling.log.events.equipment import HoursSet, QuietHoursSet
from scheduling.log.models import Venue
from scheduling.planning.days_spans import DaySpan
from scheduling.planning.opening_hours import Hours
from scheduling.planning.quiet_hours import QuietHours
from scheduling.sky.civil import day_bounds
from scheduling.sky.zones import zone
from scheduling.venues.hours import venue_hours
from scheduling.venues.quiet import quiet_hours

SpanT = TypeVar("SpanT", bound=DaySpan)


def hours_entries(venues: Sequence[KnownVenue]) -> Iterator[CalendarEntry]:
    """Dates that differ from their weekday. The hours of every week would bury everything else, and staff know them."""
    opened = [(one, hours) for one in venues if (hours := venue_hours(one.venue)) is not None]
    quieted = [(one, quiet) for one in venues if (quiet := quiet_hours(one.venue)) is not None]
    last = newest_of([f"venue/{one.venue.id}" for one, _ in opened], HoursSet)
    for known, hours in opened:
        yield from _hours(known, hours, last[f"venue/{known.venue.id}"])
    last = newest_of([f"venue/{one.venue.id}" for one, _ in quieted], QuietHoursSet)
    for known, quiet in quieted:
        yield from _quiet(known, quiet, last[f"venue/{known.venue.id}"])


def _hours(known: KnownVenue, hours: Hours, last: Changed) -> Iterator[CalendarEntry]:
    venue = known.venue
    for day, spans in _differing({one.date: one.open for one in hours.dates}, hours.week.days, venue):
        times = ", ".join(f"{span.opens}-{span.closes}" for span in spans)
        title = f"Open {times}: {venue.name}" if times else f"Closed: {venue.name}"
        other = f"By the clock of {venue.zone}; another {day:%A} has other hours."
        yield _all_day(known, f"hours/{day}", day, title, other, last)


def _quiet(known: KnownVenue, hours: QuietHours, last: Changed) -> Iterator[CalendarEntry]:
    venue = known.venue
    for day, spans in _differing({one.date: one.quiet for one in hours.dates}, hours.week.days, venue):
        times = ", ".join(f"{span.begins}-{span.ends}" for span in spans)
        title = f"Quiet {times}: {venue.name}" if times else f"No quiet hours: {venue.name}"
        held = "In quiet hours strips are not cut, and no idle nozzle is fired." if times else "Strips are cut all day."
        other = f"By the clock of {venue.zone}; another {day:%A} has other quiet hours."
        yield _all_day(known, f"quiet/{day}", day, title, f"{held}\n{other}", last)


def _differing(
    dates: Mapping[str, tuple[SpanT, ...]], week: Sequence[tuple[SpanT, ...]], venue: Venue
) -> Iterator[tuple[date, list[SpanT]]]:
    for said, spans in dates.items():
        day = date.fromisoformat(said)
        begins, ends = day_bounds(day, zone(venue.zone))
        if begins != ends and sorted(spans, key=_minutes) != sorted(week[day.weekday()], key=_minutes):
            yield day, sorted(spans, key=_minutes)


def _all_day(known: KnownVenue, what: str, day: date, title: str, description: str, last: Changed) -> CalendarEntry:
    return known.entry(what, "hours", day, title, description, last, names_venue=True)


def _minutes(span: DaySpan) -> tuple[int, int]:
    return span.minutes
