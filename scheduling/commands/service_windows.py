"""Service windows: fixing one, and then giving it other times or another name, calling it off, and taking that back."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from machines.chance import Chance
from machines.errors import InputError
from machines.serialization import structure
from scheduling.commands.additions import FixServiceWindow
from scheduling.commands.changes import Change, ChangeWarning, change_of, make
from scheduling.commands.venue_as_read import as_read
from scheduling.log.events.visits import ServiceWindowCalledOff, ServiceWindowFixed
from scheduling.log.models import Event, ServiceWindow, Venue
from scheduling.log.projecting.foreseen import foreseen
from scheduling.log.store import Attribution, stream_version
from scheduling.planning.service_windows import (
    Comes,
    ServiceSpan,
    Weekly,
    begins_at,
    require_comes_on,
    spans,
)
from scheduling.queries.closed_away import machines_in_use
from scheduling.queries.history import shown_by
from scheduling.queries.machine_context import machine_contexts
from scheduling.queries.names import require, require_in_use
from scheduling.queries.venue_context import place_of
from scheduling.sky.zones import zone
from scheduling.supplies.window_work import work_in_windows
from scheduling.venues.coming_windows import LOOK_AHEAD, coming_times
from scheduling.venues.local_time_text import span_in_words
from scheduling.venues.service_windows import as_planned

# What of a window a change tells of, and its history.
SHOWN = shown_by("name", "comes", "begins_at", "dates_off", "called_off_at")
NEVER_CHANGED = ("id", "venue")


def fix_service_window(command: FixServiceWindow) -> ServiceWindowFixed:
    """An anchor becomes an instant now; a weekly window stays what the clocks there make of it.

    Raises:
        InputError: there is no such venue or instant.
    """
    return window_at(command, require_in_use(Venue, "venue", command.venue))


def window_at(command: FixServiceWindow, venue: Venue) -> ServiceWindowFixed:
    """A window at a venue as it stands, or would; see `fix_service_window`."""
    try:
        at = begins_at(command.comes, place_of(venue), zone(venue.zone))
    except InputError as error:
        raise error.within("comes") from None
    return ServiceWindowFixed(venue=command.venue, name=command.name, comes=command.comes, begins_at=at)


def as_ordered(row: ServiceWindow) -> FixServiceWindow:
    """The order by which a window would be what it is, but for dates that were called off."""
    return FixServiceWindow(id=row.id, venue=row.venue_id, name=row.name, comes=structure(row.comes, Comes))


def change_window(row: ServiceWindow, command: FixServiceWindow, now: datetime, version: int) -> Change:
    """A window comes at other times, or is named otherwise. A date that was called off stays so while the window would
    begin on it.

    Args:
        row: as it stands.
        command: what it is to be.
        now: this instant, UTC.
        version: of its stream, read before the row.

    Raises:
        InputError: it cannot be so, or it was called off.
    """
    if row.called_off_at is not None:
        raise InputError("called_off_at", "it was called off", "take that back first")
    off = tuple(day for day in row.dates_off if _comes_on(command.comes, day))
    recheck = as_read(row.venue_id)  # read first: whoever changes it from here on is noticed
    event = replace(fix_service_window(command), dates_off=off)
    return replace(_change(row, event, now, version, rules_the_past=True), recheck=recheck)


def call_off_window(row: ServiceWindow, now: datetime, version: int, *, date: str | None = None) -> Change:
    """From now on nobody comes in a window, or not on one local date of a weekly one. Called off already, nothing is
    changed. See `change_window`."""
    if date is not None:
        require_comes_on(structure(row.comes, Comes), date)
    stands = row.called_off_at is None and date not in row.dates_off
    return _change(row, ServiceWindowCalledOff(date=date) if stands else None, now, version)


def take_back_window(row: ServiceWindow, now: datetime, version: int, *, date: str | None = None) -> Change:
    """A window that was called off comes again as it was, or on one local date. While it stands, nothing is changed.
    See `change_window`."""
    if date is not None:
        require_comes_on(structure(row.comes, Comes), date)
        if row.called_off_at is not None:
            raise InputError("date", "all of the window is called off", "leave the date out, and take that back first")
    is_off = row.called_off_at is not None if date is None else date in row.dates_off
    off = tuple(day for day in row.dates_off if day != date)
    recheck = as_read(row.venue_id)
    event = replace(fix_service_window(as_ordered(row)), dates_off=off) if is_off else None
    return replace(_change(row, event, now, version), recheck=recheck)


def call_off(window: str, reason: str | None, by: Attribution, chance: Chance, date: str | None = None) -> None:
    """Call a window off, as it stands at this instant; see `call_off_window`.

    Args:
        window: its id.
        reason: why, in the person's words.
        by: who says so.
        chance: see `scheduling.log.remarks.keep`.
        date: local date on which a weekly window does not begin; None for the whole window.

    Raises:
        Unknown: there is no such window.
        InputError: the reason is too long, or the window does not begin on that date.
        VersionConflict: somebody else changed the window meanwhile.
    """
    version = stream_version(f"service/{window}")
    row = require(ServiceWindow, "service window", window)
    make(call_off_window(row, by.said_at, version, date=date), reason, by, chance, accepted=True)


def _comes_on(comes: Comes, day: str) -> bool:
    try:
        require_comes_on(comes, day)
    except InputError:
        return False
    return True


def _change(row: ServiceWindow, event: Any, now: datetime, version: int, *, rules_the_past: bool = False) -> Change:
    stream = f"service/{row.id}"
    after, venue = foreseen(row, stream, event, now), require(Venue, "venue", row.venue_id)
    return change_of(
        row,
        after,
        event,
        stream=stream,
        version=version,
        shown=SHOWN,
        in_words=_in_words(row, after, venue, now),
        warnings=_warnings(row, after, venue, now) if rules_the_past else (),
        stands_on=(f"venue/{row.venue_id}",),
    )


def _in_words(row: ServiceWindow, after: ServiceWindow, venue: Venue, now: datetime) -> Iterator[str]:
    if row.name != after.name:
        yield f"{row.name} is called {after.name} from now on."
    if (row.comes, row.begins_at) != (after.comes, after.begins_at):
        was, comes = (_how(one, venue) for one in (row, after))
        yield f"{after.name} comes {comes}, instead of {was}, by the clock of {venue.zone}."
    for day in sorted({*after.dates_off} - {*row.dates_off}):
        yield f"It does not come on {day}."
    for day in sorted({*row.dates_off} - {*after.dates_off}):
        yield f"That it does not come on {day} is said no more."
    if after.called_off_at is not None:
        yield f"{after.name} comes no more."
        yield "Subscribed calendars leave its times to come out, once they look again."
    else:
        yield _next(after, venue, now)
        yield "Subscribed calendars show its times as they are then, once they look again."
    yield from _work_without_it(row, after, venue, now)


def _how(row: ServiceWindow, venue: Venue) -> str:
    """How a window comes, by the venue's clock."""
    comes = structure(row.comes, Comes)
    if not isinstance(comes, Weekly):
        assert row.begins_at is not None
        begins, ends = row.begins_at, row.begins_at + timedelta(minutes=comes.minutes)
        return f"once, {_local(begins, ends, venue)}"
    since = "" if comes.first_date is None else f" from {comes.first_date} on"
    until = "" if comes.last_date is None else f" until {comes.last_date}"
    return f"every {comes.weekday.title()} from {comes.begins} to {comes.ends}{since}{until}"


def _next(row: ServiceWindow, venue: Venue, now: datetime) -> str:
    times = _times(row, venue, now)
    if times:
        return f"It comes next {_local(times[0].starts_at, times[0].ends_at, venue)}, by the clock of {venue.zone}."
    return f"It does not come within the next {LOOK_AHEAD.days} days."


def _work_without_it(row: ServiceWindow, after: ServiceWindow, venue: Venue, now: datetime) -> Iterator[str]:
    """What is to be changed in times that it would not come any more."""
    kept = {(one.starts_at, one.ends_at) for one in _times(after, venue, now)}
    machines = machines_in_use().filter(venue_id=venue.id).order_by("id")
    for span, work in work_in_windows(machine_contexts(machines, now)).items():
        if span.window == row.id and (span.starts_at, span.ends_at) not in kept:
            for part, machine in work:
                when = _local(span.starts_at, span.ends_at, venue)
                yield f"The {part} of {machine.name} was to be changed {when}; look when it is now."


def _times(row: ServiceWindow, venue: Venue, now: datetime) -> list[ServiceSpan]:
    """The times that it comes, the present one included, as far as is looked."""
    return [] if row.called_off_at is not None else coming_times(as_planned(row), zone(venue.zone), now)


def _warnings(row: ServiceWindow, after: ServiceWindow, venue: Venue, now: datetime) -> Iterator[ChangeWarning]:
    if (row.comes, row.begins_at) == (after.comes, after.begins_at):
        return  # it is only named otherwise
    if was := _been(row, row, venue, now) - _been(row, after, venue, now):
        begins, ends = max(was)
        told = f"It has been, {_local(begins, ends, venue)}, and will not be told any more."
        if isinstance(structure(row.comes, Comes), Weekly):
            told += " To keep what has been, give it a last date, and fix another window from a first date on."
        yield ChangeWarning(kind="has-been", in_words=told)
    if _is_over(after, venue, now):
        yield ChangeWarning(kind="in-the-past", in_words=f"{after.name} would not come any more.")


def _been(row: ServiceWindow, by: ServiceWindow, venue: Venue, now: datetime) -> set[tuple[datetime, datetime]]:
    """The times since a window was first fixed that somebody has been there, by what is said of it."""
    fixed_at = Event.objects.get(stream=f"service/{row.id}", version=1).said_at
    found = spans([as_planned(by)], zone(venue.zone), fixed_at, now) if fixed_at < now else []
    return {(one.starts_at, one.ends_at) for one in found if one.ends_at <= now}


def _is_over(row: ServiceWindow, venue: Venue, now: datetime) -> bool:
    comes = structure(row.comes, Comes)
    if isinstance(comes, Weekly):
        today = now.astimezone(zone(venue.zone)).date().isoformat()
        return comes.last_date is not None and comes.last_date < today
    return row.begins_at is not None and row.begins_at + timedelta(minutes=comes.minutes) <= now


def _local(begins: datetime, ends: datetime, venue: Venue) -> str:
    return span_in_words(begins, ends, zone(venue.zone), lambda local: f"{local:%Y-%m-%d}")
