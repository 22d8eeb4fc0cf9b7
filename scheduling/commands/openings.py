"""Openings: fixing one, and then moving or naming it otherwise, calling it off, and taking that back."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from machines.errors import InputError
from scheduling.answers.opening_concerns import Concern, doors_of, opening_concerns
from scheduling.commands.additions import FixOpening, FixOpeningSeries
from scheduling.commands.changes import Change, ChangeWarning, Preview, change_of
from scheduling.commands.venue_as_read import as_read
from scheduling.log.events.visits import OpeningCalledOff, OpeningFixed
from scheduling.log.models import Machine, Opening, Venue
from scheduling.log.projecting.foreseen import foreseen
from scheduling.paper.run_anchors import MachinesRead, goes_by_a_run, run_anchor_instant
from scheduling.queries.history import differences, shown_by
from scheduling.queries.machine_context import machine_contexts
from scheduling.queries.names import require, require_in_use
from scheduling.queries.runs import runs_standing
from scheduling.queries.venue_context import place_of
from scheduling.sky import anchors
from scheduling.sky.durations import format_duration, parse_duration
from scheduling.sky.zones import zone
from scheduling.venues.hours import venue_closed
from scheduling.venues.local_time_text import moment_in_words

LONGEST = timedelta(days=366)
# What of an opening a change tells of, and its history.
SHOWN = shown_by("name", "anchor", "opens_at", "closing", "closes_at", "called_off_at")
NEVER_CHANGED = ("id", "venue")


def fix_opening(command: FixOpening) -> OpeningFixed:
    """The anchors become instants now; they stay beside them, so that people see how they were named.

    Raises:
        InputError: there is no such venue or instant, or it would be over before it begins.
    """
    return opening_at(command, require_in_use(Venue, "venue", command.venue))


def opening_at(
    command: FixOpening, venue: Venue, standing: Opening | None = None, read: MachinesRead | None = None
) -> OpeningFixed:
    """An opening at a venue as it stands, or would; see `fix_opening`.

    Args:
        command: what it is to be.
        venue: where.
        standing: the opening as it stands, where there is one. What a machine's run once named keeps its instant,
            whatever has become of the run.
        read: see `run_anchor_instant`.
    """
    if standing is not None and _is_kept(command.anchor, standing.anchor):
        opens_at = standing.opens_at
    else:
        opens_at = _instant("anchor", command.anchor, venue, read)
    closes_at = None if command.closing is None else _closes_at(command.closing, opens_at, venue, standing, read)
    if closes_at is not None and not timedelta(0) < closes_at - opens_at <= LONGEST:
        remedy = f"give an instant after the opening, by at most {format_duration(LONGEST)}"
        raise InputError("closing", "it does not close after it opens", remedy)
    return OpeningFixed(
        venue=command.venue,
        name=command.name,
        anchor=command.anchor,
        opens_at=opens_at,
        closing=command.closing,
        closes_at=closes_at,
    )


def _named_otherwise(row: Opening, command: FixOpening) -> str:
    """What is said of an opening that keeps its instant, where the run that named it has another by now."""
    if not _is_kept(command.anchor, row.anchor):
        return ""
    venue = require(Venue, "venue", row.venue_id)
    stays = f"it stays at {_local(row.opens_at, venue)}"
    try:
        at = run_anchor_instant(command.anchor, venue)
    except InputError:
        return f"What {command.name} was named by is not planned any more; {stays}."
    return "" if at == row.opens_at else f"What {command.name} was named by is at {_local(at, venue)} by now; {stays}."


def _is_kept(anchor: dict[str, Any], was: dict[str, Any] | None) -> bool:
    return goes_by_a_run(anchor) and anchor == was


def _closes_at(
    closing: dict[str, Any], opens_at: datetime, venue: Venue, standing: Opening | None, read: MachinesRead | None
) -> datetime:
    """An end is named as an instant is, or by how long it lasts."""
    if standing is not None and standing.closes_at is not None and _is_kept(closing, standing.closing):
        return standing.closes_at
    if "duration" not in closing:
        return _instant("closing", closing, venue, read)
    if set(closing) != {"duration"}:
        raise InputError("closing", "beside a duration nothing else can stand", "give the duration alone")
    try:
        lasts = parse_duration(closing["duration"])
    except InputError as error:
        raise InputError("closing.duration", error.problem, error.remedy) from None
    return opens_at + max(min(lasts, 2 * LONGEST), timedelta(0))  # what lies beyond is refused in any case


def still_named(
    command: FixOpening | FixOpeningSeries,
    events: Sequence[OpeningFixed],
    work_out: Callable[[], Iterable[OpeningFixed]],
) -> None:
    """What was worked out by a machine's run, held against the run where nobody else can append.

    Args:
        command: an opening, or a series of them.
        events: what it came to, before.
        work_out: what it comes to now: as many, and in the same order.

    Raises:
        InputError: the run was changed meanwhile, or the machine.
    """
    if not any(one is not None and goes_by_a_run(one) for one in (command.anchor, command.closing)):
        return
    for event, again in zip(events, work_out(), strict=True):
        if (again.opens_at, again.closes_at) != (event.opens_at, event.closes_at):
            field = "anchor" if again.opens_at != event.opens_at else "closing"
            problem = "what it is named by was changed in this moment"
            raise InputError(field, problem, "look at it, and order this again")


def _instant(field: str, anchor: dict[str, Any], venue: Venue, read: MachinesRead | None) -> datetime:
    try:
        if goes_by_a_run(anchor):
            return run_anchor_instant(anchor, venue, read)
        return anchors.resolve(anchors.parse(anchor), place_of(venue), zone(venue.zone))
    except InputError as error:
        raise error.within(field) from None


def ends_anew(row: Opening, venue: Venue) -> OpeningFixed:
    """An opening that is under way at a venue that would be another: when it began is past, and only its end is worked
    out anew.

    Raises:
        InputError: its end has no such instant, or would be before it began.
    """
    closes_at = row.closes_at if row.closing is None else _closes_at(row.closing, row.opens_at, venue, row, None)
    if closes_at is not None and closes_at <= row.opens_at:
        raise InputError("closing", "it does not close after it opens", "give an instant after the opening")
    return replace(as_it_stands(row), closes_at=closes_at)


def as_it_stands(row: Opening) -> OpeningFixed:
    """What would be said of an opening to leave it as it is."""
    event = OpeningFixed(
        venue=row.venue_id,
        name=row.name,
        anchor=row.anchor,
        opens_at=row.opens_at,
        closing=row.closing,
        closes_at=row.closes_at,
    )
    return of_series(row, event)


def as_ordered(row: Opening) -> FixOpening:
    """The order by which an opening would be what it is."""
    return FixOpening(id=row.id, venue=row.venue_id, name=row.name, anchor=row.anchor, closing=row.closing)


def change_opening(row: Opening, command: FixOpening, now: datetime, version: int) -> Change:
    """An opening moves, or is named otherwise. Called off, it stays so.

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
    recheck = as_read(row.venue_id)  # read first: whoever changes it from here on is noticed
    event = replace(_fixed_again(row, command), on_its_own=row.series is not None)
    found = _change(row, event, now, version, ("moves to", row.opens_at != event.opens_at))
    if found.event is not None and (otherwise := _named_otherwise(row, command)):
        found = replace(found, preview=replace(found.preview, in_words=(*found.preview.in_words, otherwise)))

    def look_again() -> None:
        recheck()
        still_named(command, [event], lambda: [_fixed_again(row, command)])

    return replace(found, recheck=look_again)


def _fixed_again(row: Opening, command: FixOpening) -> OpeningFixed:
    return of_series(row, opening_at(command, require_in_use(Venue, "venue", command.venue), row))


def of_series(row: Opening, event: OpeningFixed) -> OpeningFixed:
    """What is said anew of an opening leaves it in its series as it stands there."""
    return replace(event, series=row.series, series_date=row.series_date, on_its_own=row.on_its_own)


def call_off_opening(row: Opening, now: datetime, version: int) -> Change:
    """The doors do not open. Called off already, nothing is changed. See `change_opening`."""
    return _change(row, None if row.called_off_at else OpeningCalledOff(), now, version, ("is called off:", True))


def take_back_opening(row: Opening, now: datetime, version: int) -> Change:
    """What was called off stands again as it was. While it stands, nothing is changed. See `change_opening`."""
    recheck = as_read(row.venue_id)
    event = _fixed_again(row, as_ordered(row)) if row.called_off_at else None
    return replace(_change(row, event, now, version, ("stands again:", True)), recheck=recheck)


def _change(row: Opening, event: Any, now: datetime, version: int, said: tuple[str, bool]) -> Change:
    stream = f"opening/{row.id}"
    after, venue = foreseen(row, stream, event, now), require(Venue, "venue", row.venue_id)
    found = found_at(as_it_stands(after), venue, now) if _is_to_be_looked_at(row, after) else ()
    return change_of(
        row,
        after,
        event,
        stream=stream,
        version=version,
        shown=SHOWN,
        in_words=(*_in_words(row, after, venue, version, said, found), *to_know(found)),
        warnings=(*_warnings(row, after, venue, now), *not_as_it_should(found)),
        stands_on=(f"venue/{row.venue_id}",),
    )


def _in_words(
    row: Opening, after: Opening, venue: Venue, version: int, said: tuple[str, bool], found: Collection[Concern]
) -> Iterator[str]:
    what, is_told = said
    if row.name != after.name:
        yield f"{row.name} is called {after.name} from now on."
    if not row.on_its_own and after.on_its_own:
        yield f"It follows its series {row.series} no more."
    if is_told:
        was = f", instead of {_local(row.opens_at, venue)}" if row.opens_at != after.opens_at else ""
        yield f"{after.name} {what} {_local(after.opens_at, venue)}{was}, by the clock of {venue.zone}."
    if row.closes_at != after.closes_at:
        until = "is not said" if after.closes_at is None else f"is {_local(after.closes_at, venue)}"
        yield f"Its end {until}."
    off = ", as cancelled," if after.called_off_at else ""
    yield f"Subscribed calendars show the same entry{off} as its revision {version}, once they look again."
    if after.called_off_at is None and row.opens_at != after.opens_at:
        yield from _printed_then(after.opens_at, venue, found)


def _printed_then(at: datetime, venue: Venue, found: Collection[Concern]) -> Iterator[str]:
    """What each machine there prints at an instant, but where it is told that it prints nothing then."""
    nothing = {one.machine for one in found if one.kind in ("no-run", "none-planned")}
    for machine in Machine.objects.filter(venue_id=venue.id, retired_at=None).order_by("id"):
        if machine.id in nothing:
            continue
        run = runs_standing(machine.id).filter(starts_at__lte=at, ends_at__gt=at).first()
        yield f"{machine.name} is on no run then." if run is None else f"{machine.name} is on run {run.id} then."


def _is_to_be_looked_at(row: Opening, after: Opening) -> bool:
    """Whether something may speak against it that did not before: not where it is only named otherwise, or ends
    earlier."""
    if after.called_off_at is not None:
        return False
    if (row.opens_at, row.called_off_at) != (after.opens_at, after.called_off_at):
        return True
    was, doors = (doors_of(one.opens_at, one.closes_at, one.anchor, one.closing) for one in (row, after))
    return doors.last > was.last


def _warnings(row: Opening, after: Opening, venue: Venue, now: datetime) -> Iterator[ChangeWarning]:
    """What of its beginning should be meant."""
    if (row.opens_at, row.called_off_at) == (after.opens_at, after.called_off_at):
        return  # it is only named otherwise, or ends at another time
    yield from _apart(row, after)
    if row.opens_at <= now:
        yield ChangeWarning(kind="has-been", in_words=f"It has been, on {_local(row.opens_at, venue)}.")
    if after.called_off_at is not None:
        return
    if after.opens_at <= now < row.opens_at:
        yield ChangeWarning(kind="in-the-past", in_words=f"{_local(after.opens_at, venue)} is over.")
    yield from closed_then(venue, after.opens_at)


def preview_opening(command: FixOpening, now: datetime) -> Preview:
    """What fixing an opening would do, and what may not come true of it; nothing is written."""
    event = fix_opening(command)
    row = foreseen(Opening(id=command.id), f"opening/{command.id}", event, now)
    venue = require(Venue, "venue", command.venue)
    words = [f"{event.name} opens at {_local(event.opens_at, venue)}, by the clock of {venue.zone}."]
    found = found_at(event, venue, now)
    words += [*_printed_then(event.opens_at, venue, found), *to_know(found)]
    warnings = tuple(speaks_against(event, venue, now, found))
    return Preview(fields=differences({}, SHOWN(row)), in_words=tuple(words), warnings=warnings)


def speaks_against(
    event: OpeningFixed, venue: Venue, now: datetime, found: Iterable[Concern]
) -> Iterator[ChangeWarning]:
    """What whoever fixes an opening should mean.

    Args:
        event: the opening.
        venue: where.
        now: this instant, UTC.
        found: see `found_at`.
    """
    if event.opens_at <= now:
        yield ChangeWarning(kind="in-the-past", in_words=f"{_local(event.opens_at, venue)} is over.")
    yield from closed_then(venue, event.opens_at)
    yield from not_as_it_should(found)


def found_at(event: OpeningFixed, venue: Venue, now: datetime) -> tuple[Concern, ...]:
    """What of an opening may not come true at the machines of its venue, and what is to be known there, as far as is
    known now."""
    doors = doors_of(event.opens_at, event.closes_at, event.anchor, event.closing)
    machines = Machine.objects.filter(venue_id=venue.id, retired_at=None).order_by("id")
    return tuple(one for context in machine_contexts(machines, now) for one in opening_concerns(context, doors))


def to_know(found: Iterable[Concern]) -> Iterator[str]:
    """What of that is nothing that anybody has to mean."""
    return (one.lasting for one in found if not one.is_amiss)


def not_as_it_should(found: Iterable[Concern]) -> Iterator[ChangeWarning]:
    """What of it should be."""
    return (ChangeWarning(kind=one.kind, in_words=one.lasting) for one in found if one.is_amiss)


def closed_then(venue: Venue, at: datetime) -> Iterator[ChangeWarning]:
    """Whether a venue is closed at an instant at which its doors are to open."""
    if venue_closed(venue, at, at + timedelta(microseconds=1)):
        told = f"{venue.name} is closed at {_local(at, venue)}, by its hours."
        yield ChangeWarning(kind="closed", in_words=told)


def _apart(row: Opening, after: Opening) -> Iterator[ChangeWarning]:
    """Whether it leaves those of its series that are held at the same instant at other venues."""
    if row.series is None or row.opens_at == after.opens_at:
        return
    beside = Opening.objects.filter(series=row.series, opens_at=row.opens_at, called_off_at=None).exclude(id=row.id)
    for other in beside.select_related("venue").order_by("venue_id"):
        told = f"{other.name} at {other.venue.name} stays as it is, and is not at the same instant any more."
        yield ChangeWarning(kind="apart", in_words=told)


def _local(at: datetime, venue: Venue) -> str:
    return moment_in_words(at, zone(venue.zone))
