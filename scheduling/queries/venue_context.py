"""A venue with what people said of its calendar, read once for a request and handed down.

What is asked of one venue is read of all that the request is about, when it is first asked: the number of queries does
not grow with the number of venues.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from itertools import groupby
from zoneinfo import ZoneInfo

from scheduling.log.models import Opening, ServiceWindow, Venue
from scheduling.sky.places import Place
from scheduling.sky.zones import zone


@dataclass(frozen=True, eq=False)
class VenueGroup:
    """Venues that are read together."""

    venues: tuple[Venue, ...]

    @cached_property
    def contexts(self) -> dict[str, VenueContext]:
        """Each of them, by id."""
        return {venue.id: VenueContext(venue, self) for venue in self.venues}

    @cached_property
    def windows(self) -> dict[str, tuple[ServiceWindow, ...]]:
        """Service windows, by venue; those called off included, in the order of their names."""
        rows = ServiceWindow.objects.filter(venue_id__in=self._ids).order_by("venue_id", "name", "id")
        return {id: tuple(mine) for id, mine in groupby(rows, lambda row: row.venue_id)}

    @cached_property
    def openings(self) -> dict[str, tuple[Opening, ...]]:
        """Openings, by venue, those called off included, in order of time."""
        rows = Opening.objects.filter(venue_id__in=self._ids).order_by("venue_id", "opens_at", "id")
        return {id: tuple(mine) for id, mine in groupby(rows, lambda row: row.venue_id)}

    @property
    def _ids(self) -> list[str]:
        return [venue.id for venue in self.venues]


@dataclass(frozen=True, eq=False)
class VenueContext:
    """A venue, as it stood when it was read.

    Attributes:
        venue: its row.
        group: that it was read with.
    """

    venue: Venue
    group: VenueGroup

    @property
    def clock(self) -> ZoneInfo:
        """By which people there live."""
        return zone(self.venue.zone)

    @property
    def place(self) -> Place:
        """Where it stands."""
        return place_of(self.venue)

    @property
    def windows(self) -> tuple[ServiceWindow, ...]:
        """Its service windows, those called off included, in the order of their names."""
        return self.group.windows.get(self.venue.id, ())

    @property
    def openings(self) -> tuple[Opening, ...]:
        """Its openings that stand, in order of time."""
        return tuple(row for row in self.openings_ever if row.called_off_at is None)

    @property
    def openings_ever(self) -> tuple[Opening, ...]:
        """Its openings, those called off included, in order of time."""
        return self.group.openings.get(self.venue.id, ())


def place_of(venue: Venue) -> Place:
    """Where a venue stands."""
    return Place(venue.latitude_degrees, venue.longitude_degrees, venue.elevation_m)


def venue_contexts(venues: Iterable[Venue]) -> dict[str, VenueContext]:
    """Venues that are read together, by id."""
    return VenueGroup(tuple(venues)).contexts


def venue_context(venue: Venue) -> VenueContext:
    """A venue by itself."""
    return venue_contexts([venue])[venue.id]
