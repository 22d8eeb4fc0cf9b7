"""Venues as a calendar needs them: what they are called in names of entries, and since when each is what it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import groupby
from uuid import UUID

from scheduling.calendar.entries import CalendarEntry, Category, uid_of
from scheduling.log.events import EVENT_KINDS, Event
from scheduling.log.events.equipment import VenueAdded, VenueChanged
from scheduling.log.models import Event as Row
from scheduling.log.models import Venue
from scheduling.queries.venue_context import VenueContext, venue_contexts


@dataclass(frozen=True)
class Changed:
    """When something last became what it is, and by which event of its stream."""

    at: datetime
    version: int


@dataclass(frozen=True)
class KnownVenue:
    """A venue whose calendar is made.

    Attributes:
        there: the venue, with what people said of it.
        names: from which the names of its entries are made.
        house: from which those are made that are the same at every venue. It is of the log's first event: where the
            stream of that is closed into an archive, they have other names from then on.
        place: when its place, clock and name last became what they are.
        added: position in the log at which it was added.
    """

    there: VenueContext
    names: UUID
    house: UUID
    place: Changed
    added: int

    @property
    def venue(self) -> Venue:
        """Its row."""
        return self.there.venue

    def uid(self, what: str) -> str:
        """The name of one of its entries."""
        return uid_of(self.names, what)

    def entry(
        self,
        what: str,
        category: Category,
        starts_at: datetime | date,
        title: str,
        description: str,
        last: Changed,
        *,
        ends_at: datetime | None = None,
        names_venue: bool = False,
        is_cancelled: bool = False,
    ) -> CalendarEntry:
        """One of its entries.

        Args:
            what: which one, by which it is named.
            category, starts_at, title, description, ends_at, names_venue, is_cancelled: see `CalendarEntry`.
            last: when it last became what it is.
        """
        return CalendarEntry(
            uid=self.uid(what),
            venue=self.venue.id,
            starts_at=starts_at,
            ends_at=ends_at,
            category=category,
            title=title,
            description=description,
            names_venue=names_venue,
            changed_at=last.at,
            revision=last.version - 1,
            is_cancelled=is_cancelled,
        )


def known_venues(venues: Sequence[Venue]) -> tuple[KnownVenue, ...]:
    """Venues that are read together, in the order in which they were added."""
    contexts = venue_contexts(venues)
    if not contexts:
        return ()
    house = _names(Row.objects.earliest("position"))
    kinds = [EVENT_KINDS[kind] for kind in (VenueAdded, VenueChanged)]
    rows = Row.objects.filter(stream__in=[f"venue/{id}" for id in contexts], kind__in=kinds)
    found = []
    for stream, said in groupby(rows.order_by("stream", "version"), lambda row: row.stream):
        first, *others = said
        place = Changed(others[-1].said_at if others else first.said_at, 1 + len(others))
        there = contexts[stream.removeprefix("venue/")]
        found.append(KnownVenue(there, _names(first), house, place, first.position))
    return tuple(sorted(found, key=lambda one: one.added))


def _names(event: Row) -> UUID:
    return UUID(hex=event.digest[:32])


def newest_of(streams: Sequence[str], *kinds: type[Event]) -> dict[str, Changed]:
    """The newest event of some kinds in each stream."""
    events = Row.objects.filter(stream__in=streams, kind__in=[EVENT_KINDS[kind] for kind in kinds])
    found = events.order_by("version").values_list("stream", "said_at", "version")
    return {stream: Changed(said_at, version) for stream, said_at, version in found}
