"""What becomes of the openings of a series where it is changed, called off or taken back, in events and in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cached_property
from typing import Any

from scheduling.answers.opening_concerns import doors_of
from scheduling.commands.changes import ChangeWarning, Told
from scheduling.commands.occurrences import Occurrence, Slot
from scheduling.commands.openings import as_it_stands
from scheduling.commands.series_concerns import SeriesLook, in_words_there
from scheduling.log.events.visits import OpeningCalledOff, OpeningFixed
from scheduling.log.models import Opening, Venue


@dataclass
class Hanging:
    """What is told of the openings of a series with it; what speaks against one, where it did not stand so before.

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
        was = f", instead of {in_words_there(opening.opens_at, venue)}" if at != opening.opens_at else ""
        is_new = stream not in self.versions or opening.called_off_at is not None
        is_otherwise = isinstance(event, OpeningFixed) and (is_new or _is_longer_or_moved(opening, event))
        opens_otherwise = is_new or at != opening.opens_at
        against = self.look.beside(event, opens_otherwise=opens_otherwise) if is_otherwise else ""
        self.words.append(f"{what} {in_words_there(at, venue)}{was}.{against}")

    @cached_property
    def look(self) -> SeriesLook:
        """What speaks against those that are told of."""
        return SeriesLook(self.venues, self.now)

    def stays(self, opening: Opening, why: str) -> None:
        """An exception, in words."""
        at = in_words_there(opening.opens_at, self.venues[opening.venue_id])
        self.words.append(f"{opening.name}, {at}, stays: {why}.")


def becomes(
    hanging: Hanging, event: OpeningFixed, one: Occurrence, standing: Opening | None, before: set[Slot]
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


def _is_longer_or_moved(standing: Opening, event: OpeningFixed) -> bool:
    was, doors = (doors_of(one.opens_at, one.closes_at, one.anchor, one.closing) for one in (standing, event))
    return doors.opens_at != was.opens_at or doors.last > was.last


def _lasts(one: Opening | OpeningFixed) -> timedelta | None:
    return None if one.closes_at is None else one.closes_at - one.opens_at


def falls_out(hanging: Hanging, opening: Opening) -> None:
    """What becomes of an opening whose date is none of the series any more."""
    if opening.opens_at <= hanging.now or opening.called_off_at is not None:
        return
    if opening.on_its_own:
        hanging.stays(opening, "it was changed by itself")
        return
    hanging.tell(opening, OpeningCalledOff(), f"{opening.name} is called off:")
    told = f"{opening.name}, {in_words_there(opening.opens_at, hanging.venues[opening.venue_id])}, is called off."
    hanging.warnings.append(ChangeWarning(kind="called-off", in_words=told))
