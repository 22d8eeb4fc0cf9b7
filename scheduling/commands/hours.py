"""The hours of a venue and its quiet hours: setting them, with what changes by that, day by day, and what fits no more.

Hours that nobody has set say of no instant that the venue is closed, so that all fits them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from machines.errors import InputError
from scheduling.commands.changes import Change, ChangeWarning, change_of
from scheduling.commands.quiet_concerns import quiet_concerns
from scheduling.commands.venues import SHOWN
from scheduling.log.events.equipment import HoursSet, QuietHoursSet
from scheduling.log.models import Machine, Opening, Venue
from scheduling.log.projecting.foreseen import foreseen
from scheduling.planning.days_spans import DAYS, DaySpan
from scheduling.planning.local_spans import Instants
from scheduling.planning.opening_hours import Hours
from scheduling.planning.quiet_hours import QuietHours
from scheduling.planning.service_windows import ServiceSpan
from scheduling.queries.closed_away import machines_in_use
from scheduling.queries.machine_context import machine_contexts
from scheduling.queries.runs import run_policy
from scheduling.queries.venue_context import VenueContext, venue_context
from scheduling.sky.zones import zone
from scheduling.supplies.remaining_work import RemainingColumns
from scheduling.venues.coming_windows import LOOK_AHEAD, coming_times
from scheduling.venues.hours import venue_closed, venue_hours
from scheduling.venues.local_time_text import moment_in_words, span_in_words
from scheduling.venues.quiet import QuietBetween, quiet_hours, quiet_of
from scheduling.venues.service_windows import as_planned

A_MOMENT = timedelta(microseconds=1)
CALENDARS = "Subscribed calendars show the dates that differ as they are then, once they look again."
BOARDS = "Boards there hear of it with the next work that they fetch; until then they keep to the hours that they hold."


def change_hours(row: Venue, hours: Hours, now: datetime, version: int) -> Change:
    """From now on a venue has these hours, whatever it had before.

    Args:
        row: as it stands.
        hours: for all days.
        now: this instant, UTC.
        version: of its stream, read before the row.

    Raises:
        InputError: it was retired.
    """
    before = venue_hours(row)
    was, becomes = (None if one is None else _Days(one, "open", "closed", one.dates) for one in (before, hours))
    assert becomes is not None
    return _change(row, HoursSet(hours=hours), now, version, _differences(was, becomes, row, now), _hours_warnings)


def change_quiet_hours(row: Venue, quiet: QuietHours, now: datetime, version: int) -> Change:
    """From now on a venue has these quiet hours, whatever it had before; see `change_hours`."""
    before = quiet_hours(row) or QuietHours()
    was, becomes = (_Days(one, "quiet", "never quiet", one.dates) for one in (before, quiet))
    return _change(row, QuietHoursSet(quiet=quiet), now, version, _differences(was, becomes, row, now), _quiet_warnings)


Warnings = Callable[[Venue, Venue, datetime], Iterator[ChangeWarning]]


def _change(row: Venue, event: Any, now: datetime, version: int, words: Iterator[str], warnings: Warnings) -> Change:
    if row.retired_at is not None:
        raise InputError("retired_at", "it was retired", "take that back first")
    stream = f"venue/{row.id}"
    after = foreseen(row, stream, event, now)

    def in_words() -> Iterator[str]:
        yield from words
        yield CALENDARS
        if Machine.objects.filter(venue_id=row.id, retired_at=None).exists():
            yield BOARDS

    return change_of(
        row,
        after,
        event,
        stream=stream,
        version=version,
        shown=SHOWN,
        in_words=in_words(),
        warnings=warnings(row, after, now),
    )


@dataclass(frozen=True)
class _Days:
    """Spans by days, in words.

    Attributes:
        hours: what is said.
        word: what it is within a span.
        never: what it is on a day without any.
        dates: that differ.
    """

    hours: Hours | QuietHours
    word: str
    never: str
    dates: Sequence[Any]

    def of_week(self, day: int) -> str:
        """What is so on a day of the week, from 0 for Monday."""
        return self._in_words(self.hours.week.days[day])

    def on(self, day: date) -> str:
        """What is so on a local date."""
        return self._in_words(self.hours.on(day))

    def dates_from(self, today: date) -> set[date]:
        """The dates that differ, from one on."""
        return {day for one in self.dates if (day := date.fromisoformat(one.date)) >= today}

    def _in_words(self, spans: Sequence[DaySpan]) -> str:
        found = [f"{_clock(first)} to {_clock(last)}" for first, last in sorted(span.minutes for span in spans)]
        return f"{self.word} {' and '.join(found)}" if found else self.never


def _clock(minutes: int) -> str:
    """A time of day; the end of a day is 24:00."""
    within = minutes if minutes <= 24 * 60 else minutes - 24 * 60
    return f"{within // 60:02}:{within % 60:02}"


def _differences(was: _Days | None, becomes: _Days, venue: Venue, now: datetime) -> Iterator[str]:
    """Each thing that differs from today on, a sentence each."""
    today = now.astimezone(zone(venue.zone)).date()
    alike: dict[tuple[str | None, str], list[int]] = {}
    for number in range(len(DAYS)):
        before = None if was is None else was.of_week(number)
        if before != (after := becomes.of_week(number)):
            alike.setdefault((before, after), []).append(number)
    for (before, after), numbers in alike.items():
        since = min(_next(number, today) for number in numbers)
        days = ", ".join(f"{DAYS[number].title()}s" for number in numbers)
        yield f"From {since} on it is {after} on {days}, {_instead(before)}."
    for day in sorted(becomes.dates_from(today) | (set() if was is None else was.dates_from(today))):
        before = None if was is None else was.on(day)
        if before != (after := becomes.on(day)):
            yield f"On {day} it is {after}, {_instead(before)}."


def _instead(before: str | None) -> str:
    return "of which nothing was said before" if before is None else f"instead of {before}"


def _next(weekday: int, today: date) -> date:
    return today + timedelta(days=(weekday - today.weekday()) % 7)


def _hours_warnings(row: Venue, after: Venue, now: datetime) -> Iterator[ChangeWarning]:
    there, clock = venue_context(row), zone(row.zone)
    for opening in _openings(there, now):
        ends = opening.closes_at or opening.opens_at + A_MOMENT
        if venue_closed(after, opening.opens_at, ends) and not venue_closed(row, opening.opens_at, ends):
            told = f"{opening.name}, {moment_in_words(opening.opens_at, clock)}, would be while {row.name} is closed."
            yield ChangeWarning(kind="opening-while-closed", in_words=told)
    for name, span in _windows(there, now):
        was, becomes = (bool(venue_closed(one, span.starts_at, span.ends_at)) for one in (row, after))
        if was != becomes and row.hours is not None:
            how = ("while it is closed", "while it is open")
            told = f"{name} comes {_local(span, row)}: {how[not becomes]}, and {how[not was]} by the hours until now."
            yield ChangeWarning(kind="window", in_words=told)
    if not venue_closed(after, now, now + LOOK_AHEAD):
        for context in machine_contexts(machines_in_use().filter(venue_id=row.id), now):
            for run in context.runs:
                if any(rule.only_while_closed for _, rule in run_policy(run).rules()):
                    told = f"Run {run.id} catches up only while the venue is closed, and it would never be."
                    yield ChangeWarning(kind="never-closed", in_words=told)


def _quiet_warnings(row: Venue, after: Venue, now: datetime) -> Iterator[ChangeWarning]:
    before, quiet = quiet_of(row), quiet_of(after)
    if quiet is None:
        return
    there, clock = venue_context(row), zone(row.zone)
    for opening in _openings(there, now):
        if _new(before, quiet, (opening.opens_at, opening.closes_at or opening.opens_at + A_MOMENT)):
            at = moment_in_words(opening.opens_at, clock)
            told = f"{opening.name}, {at}, would be in quiet hours: the knife does not move."
            yield ChangeWarning(kind="opening-in-quiet", in_words=told)
    for name, span in _windows(there, now):
        if _new(before, quiet, (span.starts_at, span.ends_at)):
            told = f"{name} comes {_local(span, row)}, in quiet hours."
            yield ChangeWarning(kind="window-in-quiet", in_words=told)
    machines = machines_in_use().filter(venue_id=row.id).order_by("id")
    for context in machine_contexts(machines, now):
        if (run := context.run_to_come) is not None:
            segments, timeline = context.segments_to_come, context.timeline
            due = RemainingColumns.of_run(run, context.profile_of(run), timeline, now, segments, quiet)
            for kind, told in quiet_concerns(due):
                yield ChangeWarning(kind=kind, in_words=f"{context.machine.name}, run {run.id}: {told}.")


def _new(before: QuietBetween | None, after: QuietBetween, span: Instants) -> bool:
    """Whether some of a span is to be quiet, and none of it was."""
    return bool(after(*span)) and not (before is not None and before(*span))


def _openings(there: VenueContext, now: datetime) -> Iterator[Opening]:
    return (opening for opening in there.openings if opening.opens_at > now)


def _windows(there: VenueContext, now: datetime) -> Iterator[tuple[str, ServiceSpan]]:
    """When each service window comes next."""
    for row in there.windows:
        times = [] if row.called_off_at is not None else coming_times(as_planned(row), there.clock, now)
        if times:
            yield row.name, times[0]


def _local(span: ServiceSpan, venue: Venue) -> str:
    return span_in_words(span.starts_at, span.ends_at, zone(venue.zone), lambda local: f"{local:%Y-%m-%d}")
