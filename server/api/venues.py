"""Venues: where machines stand."""

from __future__ import annotations

from scheduling.log.models import Venue
from scheduling.studio import AddVenue
from server.api.doors import Collection, Item
from server.api.rows import Row


class VenueRow(Row):
    """A venue."""

    class Meta:
        model = Venue
        fields = ("id", "name", "latitude_degrees", "longitude_degrees", "elevation_m", "zone")
        read_only_fields = fields


class Venues(Collection):
    """The venues, and adding one."""

    queryset = Venue.objects.all()
    serializer_class = VenueRow
    command = AddVenue
    detail = "venue"


class OneVenue(Item):
    """A venue."""

    queryset = Venue.objects.all()
    serializer_class = VenueRow
