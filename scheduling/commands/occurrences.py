"""What a series of openings comes to: an ordinary opening for each of its dates and venues."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

from machines.errors import InputError
from scheduling.commands.additions import FixOpening, FixOpeningSeries
from scheduling.commands.openings import opening_at
from scheduling.log.events.visits import OpeningFixed
from scheduling.log.models import Opening, Venue
from scheduling.paper.run_anchors import MachinesRead, goes_by_a_run, is_on
from scheduling.planning.recurrence import dates_of, later_by
from scheduling.queries.names import check_id
from scheduling.sky import anchors
from scheduling.sky.civil import readings
from scheduling.sky.zones import zone

MOST_OPENINGS = 200
# Of a series: the venue, and the date of its rule, where it has one.
Slot = tuple[str, str | None]


@dataclass(frozen=True, kw_only=True)
class Occurrence:
    """One opening of a series.

    Attributes:
        slot: for which venue and date it stands.
        command: by which it would be fixed by itself.
        first: the one of the same date at the first venue, whose instant it takes; None where it has its own.
    """

    slot: Slot
    command: FixOpening
    first: Slot | None


def slots_of(command: FixOpeningSeries) -> list[Slot]:
    """The dates of a series at each of its venues, in order.

    Raises:
        InputError: the rule cannot be read, or makes too many.
    """
    return [(venue, day) for day in _days(command) for venue in command.venues]


def _days(command: FixOpeningSeries) -> list[str | None]:
    if command.rule is None:
        if command.dates_off:
            raise InputError("dates_off", "without a rule there are no dates", "leave them away, or give a rule")
        return [None]
    first, clock = _first(command.anchor)
    most = MOST_OPENINGS // len(command.venues)
    found = dates_of(command.rule, first, clock, most + len(command.dates_off))
    days = [day.isoformat() for day in found]
    if unknown := set(command.dates_off).difference(days):
        raise InputError("dates_off", f"{min(unknown)} is no date of the rule", "leave it away")
    days = [day for day in days if day not in command.dates_off]
    if len(days) > most:
        problem = f"it makes more than {MOST_OPENINGS} openings at {len(command.venues)} venue(s)"
        raise InputError("rule", problem, "let it end earlier, and go on with another series")
    if not days:
        raise InputError("dates_off", "no date is left", "leave one of them away")
    return list(days)


def _first(anchor: dict[str, Any]) -> tuple[datetime | date, Any]:
    """The first as a rule begins with it: a local time and its clock, or a date."""
    try:
        if goes_by_a_run(anchor):
            if (day := is_on(anchor)) is not None:
                return day, None
            raise InputError("", "what is named without a date does not recur", "name it by a place and a date")
        read = anchors.parse(anchor)
    except InputError as error:
        raise error.within("anchor") from None
    return (read.civil, zone(read.zone)) if isinstance(read, anchors.CivilAnchor) else (read.date, None)


def occurrences(command: FixOpeningSeries, venues: Mapping[str, Venue]) -> Iterator[Occurrence]:
    """Each opening of a series, in order of dates, then venues.

    Args:
        command: the series.
        venues: its venues, as they stand.

    Raises:
        InputError: the rule cannot be read, makes too many, or an id would be too long.
    """
    first, clock = _first(command.anchor)
    where = command.venues[0]
    if command.together == "local" and clock is not None and clock.key != venues[where].zone:
        problem = f"at one local time, the first is by the clock of {venues[where].zone}"
        raise InputError("anchor.zone", problem, "give that zone, or hold them at one instant")
    begins = first.date() if isinstance(first, datetime) else first
    for venue, day in slots_of(command):
        days = timedelta(0) if day is None else date.fromisoformat(day) - begins
        clock_there = None if command.together == "instant" else venues[venue].zone
        fixed = FixOpening(
            id=_id(command, venue, day),
            venue=venue,
            name=command.name,
            anchor=_moved(command.anchor, days, clock_there),
            closing=None if command.closing is None else _moved(command.closing, days, clock_there),
        )
        is_first = venue == where or command.together == "local"
        yield Occurrence(slot=(venue, day), command=fixed, first=None if is_first else (where, day))


def _id(command: FixOpeningSeries, venue: str, day: str | None) -> str:
    parts = (command.id, venue if len(command.venues) > 1 else None, day)
    id = "-".join(part for part in parts if part is not None)
    try:
        check_id(id)
    except InputError:
        raise InputError(
            "id", f"an opening of it would be called {id!r}, which is too long", "give a shorter one"
        ) from None
    return id


def _moved(anchor: dict[str, Any], days: timedelta, clock: str | None) -> dict[str, Any]:
    """An anchor so many days later, by the clock of another venue where one is named."""
    moved = dict(anchor)
    for name in ("civil", "date"):
        if isinstance(anchor.get(name), str):
            try:
                moved[name] = later_by(anchor[name], days)
            except (ValueError, OverflowError):
                return moved  # what is wrong with it is said where it is resolved
    return moved | ({"zone": clock} if clock is not None and "civil" in moved else {})


def resolved(one: Occurrence, venue: Venue, at_first: OpeningFixed | None, read: MachinesRead) -> OpeningFixed:
    """An opening of a series as it is told of, but for the series.

    Args:
        one: which.
        venue: where.
        at_first: the one whose instant it takes.
        read: the machines that were read for others.

    Raises:
        InputError: it has no such instant.
    """
    command = one.command
    if at_first is not None:
        command = replace(command, anchor=_at_instant(command.anchor, at_first.opens_at, venue))
        if command.closing is not None and at_first.closes_at is not None and "duration" not in command.closing:
            command = replace(command, closing=_at_instant(command.closing, at_first.closes_at, venue))
    try:
        return opening_at(command, venue, read=read)
    except InputError as error:
        _, day = one.slot
        if day is None:
            raise
        problem = f"on {day} at {venue.name}: {error.problem}"
        raise InputError(error.field, problem, f"{error.remedy}; or name the date among dates_off") from error


def _at_instant(anchor: dict[str, Any], at: datetime, venue: Venue) -> dict[str, Any]:
    """A civil time stays as it was said; an event of another sky becomes the time that the clock here shows then."""
    if "civil" in anchor:
        return anchor
    clock = zone(venue.zone)
    local = at.astimezone(clock).replace(tzinfo=None, fold=0)
    named: dict[str, Any] = {"civil": local.isoformat(), "zone": venue.zone}
    both = readings(local, clock)
    return named if len(both) == 1 else named | {"which": next(one.which for one in both if one.utc == at)}


def of_the_series(event: OpeningFixed, series: str, day: str | None) -> OpeningFixed:
    """What is told of an opening, as one of a series."""
    return replace(event, series=series, series_date=day, on_its_own=False)


def taken_ids(command: FixOpeningSeries, found: Mapping[Slot, Occurrence], standing: Mapping[Slot, Opening]) -> None:
    """See that no opening that is to be added has the id of another than of this series.

    Raises:
        InputError: one is in use.
    """
    ids = [one.command.id for slot, one in found.items() if slot not in standing]
    used = Opening.objects.filter(id__in=ids).exclude(series=command.id).order_by("id").first()
    if used is not None:
        raise InputError("id", f"there is an opening {used.id!r} already", "choose another id for the series")
