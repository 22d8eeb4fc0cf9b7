"""Venues: correcting what was said of one, with all that hangs on its place and its clock; retiring it, and taking that
back."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any, TypeVar

from django.db.models import Q

from machines.errors import InputError
from machines.imaging.pictures import Picture
from machines.imaging.pictures.moon import MoonDisc
from machines.serialization import structure
from scheduling.commands import openings, service_windows
from scheduling.commands.additions import AddVenue
from scheduling.commands.changes import Change, ChangeWarning, Preview, Told, change_of
from scheduling.log.events.equipment import VenueAdded, VenueChanged, VenueRetired, VenueTakenBack
from scheduling.log.models import Machine, Opening, Run, ServiceWindow, Venue
from scheduling.log.projecting.foreseen import foreseen
from scheduling.log.store import stream_versions
from scheduling.queries.history import differences, shown_by
from scheduling.queries.run_versions import run_source
from scheduling.queries.runs import has_columns_to_come
from scheduling.queries.venue_context import place_of
from scheduling.sky.zones import zone
from scheduling.venues.local_time_text import time_in_words

# What of a venue a change tells of, and its history.
SHOWN = shown_by(
    "name",
    "latitude_degrees",
    "longitude_degrees",
    "elevation_m",
    "zone",
    "hours",
    "quiet",
    "contacts_set_at",
    "retired_at",
)
NEVER_CHANGED = ("id",)
# A clock is farther from the Sun in no land; a sign that is wrong, or a zone of another ocean, mostly is.
MOST_HOURS_FROM_THE_SUN = 3.0
HangingT = TypeVar("HangingT", Opening, ServiceWindow)


def add_venue(command: AddVenue) -> VenueAdded:
    """A venue is what was said of it."""
    return VenueAdded(
        name=command.name,
        latitude_degrees=command.latitude_degrees,
        longitude_degrees=command.longitude_degrees,
        elevation_m=command.elevation_m,
        zone=command.zone,
    )


def preview_venue(command: AddVenue, now: datetime) -> Preview:
    """What adding a venue would do; nothing is written."""
    row = foreseen(Venue(id=command.id), f"venue/{command.id}", add_venue(command), now)
    return Preview(
        fields=differences({}, SHOWN(row)),
        in_words=(f"{row.name} is added. It stands {_where(row)}, and its clock is that of {row.zone}.",),
        warnings=tuple(_far_from_the_sun(row, now)),
    )


def as_ordered(row: Venue) -> AddVenue:
    """The order by which a venue would be what it is, but for its hours."""
    return AddVenue(
        id=row.id,
        name=row.name,
        latitude_degrees=row.latitude_degrees,
        longitude_degrees=row.longitude_degrees,
        elevation_m=row.elevation_m,
        zone=row.zone,
    )


def change_venue(row: Venue, command: AddVenue, now: datetime, version: int) -> Change:
    """A venue is named otherwise, or its place or zone is put right. Openings and service windows to come that are
    named by the sky there or by its local dates are worked out anew, and each is told again with it.

    Args:
        row: as it stands.
        command: what it is to be.
        now: this instant, UTC.
        version: of its stream, read before the row.

    Raises:
        InputError: it was retired; an opening or a window would have no instant; or a run goes by the place.
    """
    if row.retired_at is not None:
        raise InputError("retired_at", "it was retired", "take that back first")
    added = add_venue(command)
    event = VenueChanged(
        name=added.name,
        latitude_degrees=added.latitude_degrees,
        longitude_degrees=added.longitude_degrees,
        elevation_m=added.elevation_m,
        zone=added.zone,
    )
    after = foreseen(row, f"venue/{row.id}", event, now)
    also, in_words = _hanging(row, after, now)

    def recheck() -> None:
        if _hanging(row, after, now)[0] != also:
            problem = f"what is to come at {row.name} was changed in this moment"
            raise InputError("", problem, "look at it, and order this again")

    words = (*_in_words(row, after), *in_words)
    return replace(_change(row, event, now, version, words, _warnings(row, after, now)), also=also, recheck=recheck)


def retire_venue(row: Venue, now: datetime, version: int) -> Change:
    """A venue is used no more: it stays in the API's list, marked, and is shown and offered nowhere else. Retired
    already, nothing is changed. See `change_venue`.

    Raises:
        InputError: a machine stands there.
    """
    if row.retired_at is not None:
        return _change(row, None, now, version, (), ())
    _require_empty(row)
    words = (f"{row.name} is used no more: pages do not show it, and nothing new is fixed there.",)
    found = _change(row, VenueRetired(), now, version, words, _still_to_come(row, now))
    return replace(found, recheck=lambda: _require_empty(row))


def take_back_venue(row: Venue, now: datetime, version: int) -> Change:
    """A venue that was retired is used again, as it was. While it is used, nothing is changed. See `change_venue`."""
    event = None if row.retired_at is None else VenueTakenBack()
    return _change(row, event, now, version, (f"{row.name} is used again, as it was.",), ())


def _change(
    row: Venue, event: Any, now: datetime, version: int, words: Iterable[str], warnings: Iterable[ChangeWarning]
) -> Change:
    stream = f"venue/{row.id}"
    after = foreseen(row, stream, event, now)
    return change_of(row, after, event, stream=stream, version=version, shown=SHOWN, in_words=words, warnings=warnings)


def _hanging(row: Venue, after: Venue, now: datetime) -> tuple[tuple[Told, ...], tuple[str, ...]]:
    """What is told again of openings and windows to come where place or zone change, and in words."""
    if (place_of(row), row.zone) == (place_of(after), after.zone):
        return (), ()
    if place_of(row) != place_of(after):
        _require_no_hours_of_the_place(row, now)
    moved = [*_moved_openings(after, now), *_moved_windows(after, now)]
    return tuple(told for told, _ in moved), tuple(words for _, words in moved)


def _moved_openings(after: Venue, now: datetime) -> Iterator[tuple[Told, str]]:
    standing = Opening.objects.filter(venue_id=after.id, called_off_at=None)
    rows = standing.filter(Q(opens_at__gt=now) | Q(closes_at__gt=now)).order_by("opens_at", "id")
    for row, stream, version in _with_streams("opening", rows):
        with _named(row):
            if row.opens_at <= now:
                event = openings.ends_anew(row, after)
            else:
                event = openings.of_series(row, openings.opening_at(openings.as_ordered(row), after, row))
        if event.opens_at != row.opens_at:
            words = _moves(row.name, event.opens_at, row.opens_at, after)
        elif event.closes_at is not None and row.closes_at is not None and event.closes_at != row.closes_at:
            words = _moves(f"The end of {row.name}", event.closes_at, row.closes_at, after)
        else:
            continue
        yield Told(stream=stream, version=version, event=event), words


def _moved_windows(after: Venue, now: datetime) -> Iterator[tuple[Told, str]]:
    standing = ServiceWindow.objects.filter(venue_id=after.id, called_off_at=None, begins_at__gt=now)
    for row, stream, version in _with_streams("service", standing.order_by("begins_at", "id")):
        with _named(row):
            event = service_windows.window_at(service_windows.as_ordered(row), after)
        if event.begins_at is not None and row.begins_at is not None and event.begins_at != row.begins_at:
            words = _moves(row.name, event.begins_at, row.begins_at, after)
            yield Told(stream=stream, version=version, event=event), words


def _with_streams(kind: str, rows: Iterable[HangingT]) -> Iterator[tuple[HangingT, str, int]]:
    """Each row with its stream and that one's version, all of them read at once. Who changes one in between is noticed
    where all is worked out again."""
    streams = {f"{kind}/{row.id}": row for row in rows}
    versions = stream_versions(list(streams))
    for stream, row in streams.items():
        yield row, stream, versions[stream]


@contextmanager
def _named(row: Opening | ServiceWindow) -> Iterator[None]:
    """What cannot be is said of the thing that hangs on the venue."""
    try:
        yield
    except InputError as error:
        problem = f"{row.name} ({row.id}) would have no instant there: {error}"
        raise InputError("", problem, "change it or call it off first") from error


def _require_no_hours_of_the_place(row: Venue, now: datetime) -> None:
    for run in _runs_not_over(row, now):
        if run.cycle == "temporal-hours":
            problem = f"run {run.id} goes by the temporal hours of this place, until {_local(run.ends_at, row)}"
            raise InputError("", problem, "leave latitude, longitude and elevation until it is over")


def _require_empty(row: Venue) -> None:
    there = Machine.objects.filter(venue_id=row.id, retired_at=None).order_by("id").first()
    if there is not None:
        problem = f"{there.name} ({there.id}) stands there"
        raise InputError("retired_at", problem, "move it to another venue, or retire it first")


def _runs_not_over(venue: Venue, now: datetime) -> list[Run]:
    runs = Run.objects.filter(machine__venue_id=venue.id, withdrawn_at=None).order_by("starts_at", "id")
    return [run for run in runs if run.ends_at > now or has_columns_to_come(run)]


def _in_words(row: Venue, after: Venue) -> Iterator[str]:
    if row.name != after.name:
        yield f"{row.name} is called {after.name} from now on."
    if place_of(row) != place_of(after):
        yield f"It stands {_where(after)} from now on, instead of {_where(row)}."
    if row.zone != after.zone:
        yield f"Its clock is that of {after.zone} from now on, instead of {row.zone}."
        yield "Its hours and the service windows that come every week go by that clock."
        yield "Subscribed calendars show what moves, once they look again."


def _moves(name: str, to: datetime, was: datetime, venue: Venue) -> str:
    return f"{name} moves to {_local(to, venue)}, instead of {_local(was, venue)}, by the clock of {venue.zone}."


def _warnings(row: Venue, after: Venue, now: datetime) -> Iterator[ChangeWarning]:
    if (place_of(row), row.zone) != (place_of(after), after.zone):
        yield from _far_from_the_sun(after, now)
    if place_of(row) == place_of(after):
        return
    runs = _runs_not_over(row, now)
    for run in runs:
        if isinstance(structure(run_source(run).picture, Picture), MoonDisc):
            told = f"Run {run.id} shows the Moon as it is seen from there, in turns that are not planned yet."
            yield ChangeWarning(kind="drawn-otherwise", in_words=told)


def _far_from_the_sun(venue: Venue, now: datetime) -> Iterator[ChangeWarning]:
    """Where the clock there, without summer time, is hours from the mean Sun's."""
    local = now.astimezone(zone(venue.zone))
    clock_h = ((local.utcoffset() or timedelta()) - (local.dst() or timedelta())) / timedelta(hours=1)
    sun_h = venue.longitude_degrees / 15.0
    apart_h = abs((clock_h - sun_h + 12.0) % 24.0 - 12.0)
    if apart_h > MOST_HOURS_FROM_THE_SUN:
        told = (
            f"The clock of {venue.zone} is {apart_h:.0f} hours from the Sun's at longitude {venue.longitude_degrees:g}:"
            " east is positive."
        )
        yield ChangeWarning(kind="zone-far-from-longitude", in_words=told)


def _still_to_come(row: Venue, now: datetime) -> Iterator[ChangeWarning]:
    standing = Opening.objects.filter(venue_id=row.id, called_off_at=None, opens_at__gt=now)
    for opening in standing.order_by("opens_at", "id"):
        told = f"{opening.name} is still to come, on {_local(opening.opens_at, row)}."
        yield ChangeWarning(kind="still-to-come", in_words=told)


def _where(venue: Venue) -> str:
    return f"at {venue.latitude_degrees:g}, {venue.longitude_degrees:g}, {venue.elevation_m:g} m"


def _local(at: datetime, venue: Venue) -> str:
    clock = zone(venue.zone)
    local = at.astimezone(clock)
    return f"{local:%Y-%m-%d} {time_in_words(local, clock)}"
