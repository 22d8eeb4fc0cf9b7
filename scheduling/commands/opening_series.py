"""Series of openings: fixing one, with all of its openings; changing what is to come of it, calling that off, and
taking that back.

Each opening is an ordinary one, told of in a stream of its own, which remembers its series and its date there. One that
was moved, named otherwise or called off by itself is an exception, and stays as it is whatever becomes of the series.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

from machines.errors import InputError
from scheduling.commands.additions import FixOpeningSeries
from scheduling.commands.changes import Change, ChangeWarning, Preview, Told, change_of
from scheduling.commands.checked import Checked
from scheduling.commands.occurrences import (
    Occurrence,
    Slot,
    occurrences,
    of_the_series,
    resolved,
    slots_of,
    taken_ids,
)
from scheduling.commands.openings import as_it_stands, closed_then, of_series, opening_at, still_named
from scheduling.commands.openings import as_ordered as opening_as_ordered
from scheduling.commands.venue_as_read import as_read
from scheduling.log.events.studio import OpeningCalledOff, OpeningFixed, OpeningSeriesCalledOff, OpeningSeriesFixed
from scheduling.log.models import Opening, OpeningSeries, Venue
from scheduling.log.projecting.foreseen import foreseen
from scheduling.log.store import Append, stream_versions
from scheduling.paper.run_anchors import MachinesRead
from scheduling.queries.history import differences, shown_by
from scheduling.queries.names import require_in_use
from scheduling.sky.zones import zone
from scheduling.venues.local_time_text import moment_in_words

# What of a series a change tells of, and its history.
SHOWN = shown_by("name", "anchor", "closing", "rule", "dates_off", "venues", "together", "called_off_at")
# Of other venues another series is made: the ids of its openings name them.
NEVER_CHANGED = ("id", "venues", "together")


def check_series(command: FixOpeningSeries) -> Checked:
    """A series, checked with each of its openings.

    Raises:
        InputError: a venue is not there, the rule cannot be read or makes too many, or an opening has no instant.
    """
    recheck = _as_read(command.venues)  # read first: whoever changes one from here on is noticed
    venues = _venues(command)
    taken_ids(command, {one.slot: one for one in occurrences(command, venues)}, {})
    found = list(_all_resolved(command, venues, {}, None))

    def look_again() -> None:
        recheck()
        _still_named(command, venues, {}, None, found)

    return Checked(
        event=_said(command),
        also=tuple(Append(f"opening/{one.command.id}", 0, [event]) for one, event in found),
        stands_on=_streams(command.venues),
        recheck=look_again,
    )


def preview_series(command: FixOpeningSeries, now: datetime) -> Preview:
    """What fixing a series would do: each of its openings, by the clock of its venue. Nothing is written."""
    venues, stream = _venues(command), f"series/{command.id}"
    row = foreseen(OpeningSeries(id=command.id), stream, _said(command), now)
    words: list[str] = []
    warnings: list[ChangeWarning] = []
    for _, event in _all_resolved(command, venues, {}, now):
        venue = venues[event.venue]
        words.append(f"{event.name} opens {_local(event.opens_at, venue)}.")
        warnings += closed_then(venue, event.opens_at)
    return Preview(fields=differences({}, SHOWN(row)), in_words=tuple(words), warnings=tuple(warnings))


def as_ordered(row: OpeningSeries) -> FixOpeningSeries:
    """The order by which a series would be what it is."""
    return FixOpeningSeries(
        id=row.id,
        name=row.name,
        venues=tuple(row.venues),
        anchor=row.anchor,
        closing=row.closing,
        rule=row.rule,
        dates_off=tuple(row.dates_off),
        together="local" if row.together == "local" else "instant",
    )


def change_series(row: OpeningSeries, command: FixOpeningSeries, now: datetime, version: int) -> Change:
    """What is to come of a series becomes what it is said to be: moved, named otherwise, added to, or called off where
    its date is none of the series any more.

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
    recheck, venues = _as_read(command.venues), _venues(command)
    found = {one.slot: one for one in occurrences(command, venues)}
    versions, standing = _standing(row)
    taken_ids(command, found, standing)
    hanging = _Hanging(venues, versions, now)
    before, events = set(slots_of(as_ordered(row))), list(_all_resolved(command, venues, standing, now))
    for one, event in events:
        _becomes(hanging, event, one, standing.get(one.slot), before)
    for slot, opening in standing.items():
        if slot not in found:
            _falls_out(hanging, opening)

    def look_again() -> None:
        recheck()
        _still_named(command, venues, standing, now, events)

    return _change(row, _said(command), now, version, hanging, look_again)


def call_off_series(row: OpeningSeries, now: datetime, version: int) -> Change:
    """What is to come of it is not held. Called off already, nothing is changed. See `change_series`."""
    versions, standing = _standing(row)
    hanging = _Hanging(_venues_of(row), versions, now)
    for opening in standing.values():
        if opening.opens_at > now and opening.called_off_at is None:
            hanging.tell(opening, OpeningCalledOff(), f"{opening.name} is called off:")
    event = None if row.called_off_at else OpeningSeriesCalledOff()
    return _change(row, event, now, version, hanging, lambda: None)


def take_back_series(row: OpeningSeries, now: datetime, version: int) -> Change:
    """What was called off with the series and is still to come stands again as it was. While the series stands, nothing
    is changed. See `change_series`."""
    if row.called_off_at is None:
        return _change(row, None, now, version, _Hanging({}, {}, now), lambda: None)
    recheck, command = _as_read(tuple(row.venues)), as_ordered(row)
    venues = _venues(command)
    versions, standing = _standing(row)
    hanging = _Hanging(venues, versions, now)
    for opening in standing.values():
        if opening.called_off_at == row.called_off_at:
            event = opening_at(opening_as_ordered(opening), venues[opening.venue_id], opening)
            if event.opens_at > now:
                hanging.tell(opening, of_series(opening, event), f"{opening.name} stands again:")
    return _change(row, _said(command), now, version, hanging, recheck)


@dataclass
class _Hanging:
    """What is told of the openings of a series with it.

    Attributes:
        venues: where they are.
        versions: of their streams, read before they were.
        now: this instant, UTC.
        also, words, warnings: what came together.
    """

    venues: Mapping[str, Venue]
    versions: Mapping[str, int]
    now: datetime
    also: list[Told] = field(default_factory=list)
    words: list[str] = field(default_factory=list)
    warnings: list[ChangeWarning] = field(default_factory=list)

    def tell(self, opening: Opening, event: Any, what: str) -> None:
        """Something of an opening, in words that go on with when that is."""
        stream = f"opening/{opening.id}"
        self.also.append(Told(stream=stream, version=self.versions.get(stream, 0), event=event))
        at = getattr(event, "opens_at", opening.opens_at)
        venue = self.venues[opening.venue_id]
        was = f", instead of {_local(opening.opens_at, venue)}" if at != opening.opens_at else ""
        self.words.append(f"{what} {_local(at, venue)}{was}.")
        is_new = stream not in self.versions or opening.called_off_at is not None
        if isinstance(event, OpeningFixed) and (is_new or at != opening.opens_at):
            self.warnings += closed_then(venue, at)
            if at <= self.now:
                told = f"{_local(at, venue)} is over."
                self.warnings.append(ChangeWarning(kind="in-the-past", in_words=told))

    def stays(self, opening: Opening, why: str) -> None:
        """An exception, in words."""
        self.words.append(f"{opening.name}, {_local(opening.opens_at, self.venues[opening.venue_id])}, stays: {why}.")


def _becomes(
    hanging: _Hanging, event: OpeningFixed, one: Occurrence, standing: Opening | None, before: set[Slot]
) -> None:
    """What becomes of an opening whose date is one of the series."""
    if standing is None:
        if event.opens_at > hanging.now:
            added = Opening(id=one.command.id, venue_id=event.venue, name=event.name, opens_at=event.opens_at)
            hanging.tell(added, event, f"{event.name} is added:")
    elif standing.opens_at <= hanging.now:
        return
    elif standing.called_off_at is not None:
        if one.slot in before:
            hanging.stays(standing, "it was called off by itself")
        elif event.opens_at > hanging.now:
            hanging.tell(standing, event, f"{event.name} stands again:")
    elif standing.on_its_own:
        hanging.stays(standing, "it was changed by itself")
    elif event != as_it_stands(standing):
        named = "" if standing.name == event.name else f", called {event.name} from now on,"
        does = "moves to" if standing.opens_at != event.opens_at else "opens as before,"
        ends = "" if _lasts(standing) == _lasts(event) else ", lasts otherwise,"
        hanging.tell(standing, event, f"{standing.name}{named}{ends} {does}")


def _lasts(one: Opening | OpeningFixed) -> timedelta | None:
    return None if one.closes_at is None else one.closes_at - one.opens_at


def _falls_out(hanging: _Hanging, opening: Opening) -> None:
    """What becomes of an opening whose date is none of the series any more."""
    if opening.opens_at <= hanging.now or opening.called_off_at is not None:
        return
    if opening.on_its_own:
        hanging.stays(opening, "it was changed by itself")
        return
    hanging.tell(opening, OpeningCalledOff(), f"{opening.name} is called off:")
    told = f"{opening.name}, {_local(opening.opens_at, hanging.venues[opening.venue_id])}, is called off."
    hanging.warnings.append(ChangeWarning(kind="called-off", in_words=told))


def _all_resolved(
    command: FixOpeningSeries, venues: Mapping[str, Venue], standing: Mapping[Slot, Opening], now: datetime | None
) -> Iterator[tuple[Occurrence, OpeningFixed]]:
    """Each opening of a series with its instant; that of one that has been, or that stands and is named as before, is
    not looked for."""
    told: dict[Slot, OpeningFixed] = {}
    read = MachinesRead()
    for one in occurrences(command, venues):
        venue, day = one.slot
        row = standing.get(one.slot)
        at_first = None if one.first is None else told[one.first]
        if row is not None and (
            (now is not None and row.opens_at <= now) or (at_first is None and _is_named_so(row, one))
        ):
            event = replace(as_it_stands(row), name=command.name)
        else:
            event = resolved(one, venues[venue], at_first, read)
        told[one.slot] = of_the_series(event, command.id, day)
        yield one, told[one.slot]


def _still_named(
    command: FixOpeningSeries,
    venues: Mapping[str, Venue],
    standing: Mapping[Slot, Opening],
    now: datetime | None,
    found: Sequence[tuple[Occurrence, OpeningFixed]],
) -> None:
    """See that the instants of a series that a machine's run names are those that were found; see `still_named`."""
    still_named(
        command,
        [event for _, event in found],
        lambda: (event for _, event in _all_resolved(command, venues, standing, now)),
    )


def _is_named_so(row: Opening, one: Occurrence) -> bool:
    """Whether an opening has the instants that it is to have; while one is off, they are kept by nobody."""
    return row.called_off_at is None and (row.anchor, row.closing) == (one.command.anchor, one.command.closing)


def _change(
    row: OpeningSeries, event: Any, now: datetime, version: int, hanging: _Hanging, recheck: Callable[[], None]
) -> Change:
    stream = f"series/{row.id}"
    found = change_of(
        row,
        foreseen(row, stream, event, now),
        event,
        stream=stream,
        version=version,
        shown=SHOWN,
        in_words=hanging.words,
        warnings=hanging.warnings,
        stands_on=_streams(tuple(row.venues)),
    )
    return replace(found, also=tuple(hanging.also), recheck=recheck)


def _said(command: FixOpeningSeries) -> OpeningSeriesFixed:
    return OpeningSeriesFixed(
        name=command.name,
        venues=command.venues,
        together=command.together,
        anchor=command.anchor,
        closing=command.closing,
        rule=command.rule,
        dates_off=tuple(sorted(command.dates_off)),
    )


def _standing(row: OpeningSeries) -> tuple[dict[str, int], dict[Slot, Opening]]:
    """The openings of a series, in order of time, and the versions of their streams, read before them."""
    ids = list(Opening.objects.filter(series=row.id).values_list("id", flat=True))
    versions = stream_versions([f"opening/{id}" for id in ids])
    rows = Opening.objects.filter(id__in=ids).order_by("opens_at", "id")
    return versions, {(one.venue_id, one.series_date): one for one in rows}


def _venues(command: FixOpeningSeries) -> dict[str, Venue]:
    """Read at once; of one that is not among them it is told why."""
    found = Venue.objects.filter(retired_at=None).in_bulk(command.venues)
    return {id: found[id] if id in found else require_in_use(Venue, "venue", id) for id in command.venues}


def _venues_of(row: OpeningSeries) -> dict[str, Venue]:
    return {venue.id: venue for venue in Venue.objects.filter(id__in=row.venues)}


def _streams(venues: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(f"venue/{venue}" for venue in venues)


def _as_read(venues: tuple[str, ...]) -> Callable[[], None]:
    checks = [as_read(venue) for venue in venues]

    def recheck() -> None:
        for check in checks:
            check()

    return recheck


def _local(at: datetime, venue: Venue) -> str:
    return f"{moment_in_words(at, zone(venue.zone))} at {venue.name}, by the clock of {venue.zone}"
