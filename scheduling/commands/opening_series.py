"""Series of openings: fixing one, with all of its openings; changing what is to come of it, calling that off, and
taking that back.

Each opening is an ordinary one, told of in a stream of its own, which remembers its series and its date there. One that
was moved, named otherwise or called off by itself is an exception, and stays as it is whatever becomes of the series.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from machines.errors import InputError
from scheduling.commands.additions import FixOpeningSeries
from scheduling.commands.changes import Change, Preview, change_of
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
from scheduling.commands.openings import as_it_stands, of_series, opening_at, still_named
from scheduling.commands.openings import as_ordered as opening_as_ordered
from scheduling.commands.series_concerns import SeriesLook, in_words_there
from scheduling.commands.series_openings import Hanging, becomes, falls_out
from scheduling.commands.venue_as_read import as_read
from scheduling.log.events.visits import OpeningCalledOff, OpeningFixed, OpeningSeriesCalledOff, OpeningSeriesFixed
from scheduling.log.models import Opening, OpeningSeries, Venue
from scheduling.log.projecting.foreseen import foreseen
from scheduling.log.store import Append, stream_versions
from scheduling.paper.run_anchors import MachinesRead
from scheduling.queries.history import differences, shown_by
from scheduling.queries.names import require_in_use

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
    """What fixing a series would do: each of its openings, by the clock of its venue, and what speaks against it.
    Nothing is written."""
    venues, stream = _venues(command), f"series/{command.id}"
    row = foreseen(OpeningSeries(id=command.id), stream, _said(command), now)
    look, words = SeriesLook(venues, now), list[str]()
    for _, event in _all_resolved(command, venues, {}, now):
        opens = in_words_there(event.opens_at, venues[event.venue])
        words.append(f"{event.name} opens {opens}.{look.beside(event)}")
    return Preview(
        fields=differences({}, SHOWN(row)), in_words=(*words, *look.words()), warnings=tuple(look.warnings())
    )


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
    hanging = Hanging(venues, versions, now)
    before, events = set(slots_of(as_ordered(row))), list(_all_resolved(command, venues, standing, now))
    for one, event in events:
        becomes(hanging, event, one, standing.get(one.slot), before)
    for slot, opening in standing.items():
        if slot not in found:
            falls_out(hanging, opening)

    def look_again() -> None:
        recheck()
        _still_named(command, venues, standing, now, events)

    return _change(row, _said(command), now, version, hanging, look_again)


def call_off_series(row: OpeningSeries, now: datetime, version: int) -> Change:
    """What is to come of it is not held. Called off already, nothing is changed. See `change_series`."""
    versions, standing = _standing(row)
    hanging = Hanging(_venues_of(row), versions, now)
    for opening in standing.values():
        if opening.opens_at > now and opening.called_off_at is None:
            hanging.tell(opening, OpeningCalledOff(), f"{opening.name} is called off:")
    event = None if row.called_off_at else OpeningSeriesCalledOff()
    return _change(row, event, now, version, hanging, lambda: None)


def take_back_series(row: OpeningSeries, now: datetime, version: int) -> Change:
    """What was called off with the series and is still to come stands again as it was. While the series stands, nothing
    is changed. See `change_series`."""
    if row.called_off_at is None:
        return _change(row, None, now, version, Hanging({}, {}, now), lambda: None)
    recheck, command = _as_read(tuple(row.venues)), as_ordered(row)
    venues = _venues(command)
    versions, standing = _standing(row)
    hanging = Hanging(venues, versions, now)
    for opening in standing.values():
        if opening.called_off_at == row.called_off_at:
            event = opening_at(opening_as_ordered(opening), venues[opening.venue_id], opening)
            if event.opens_at > now:
                hanging.tell(opening, of_series(opening, event), f"{opening.name} stands again:")
    return _change(row, _said(command), now, version, hanging, recheck)


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
    row: OpeningSeries, event: Any, now: datetime, version: int, hanging: Hanging, recheck: Callable[[], None]
) -> Change:
    stream = f"series/{row.id}"
    found = change_of(
        row,
        foreseen(row, stream, event, now),
        event,
        stream=stream,
        version=version,
        shown=SHOWN,
        in_words=(*hanging.words, *hanging.look.words()),
        warnings=(*hanging.warnings, *hanging.look.warnings()),
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
