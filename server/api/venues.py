"""Venues: where machines stand, and when they are open."""

from __future__ import annotations

from typing import Any

from django.shortcuts import get_object_or_404
from rest_framework.request import Request
from rest_framework.response import Response

from machines.serialization import structure
from scheduling.log.models import Venue
from scheduling.log.store import stream_version
from scheduling.planning.opening_hours import Hours
from scheduling.venues.hours import set_hours
from server.api.base_views import attribution
from server.api.conditional import Replaced, require_match, tag_of
from server.api.serializers import Row, Stored


class VenueRow(Row):
    """A venue; its hours are null while nobody has set any, ``retired_at`` while it is used."""

    hours = Stored(Hours | None)

    class Meta:
        model = Venue
        fields = ("id", "name", "latitude_degrees", "longitude_degrees", "elevation_m", "zone", "hours", "retired_at")


class VenueHours(Replaced):
    """When a venue is open, by the clocks of its zone."""

    command = staticmethod(set_hours)
    reads, serializer_class, held = Hours, VenueRow, Hours | None

    def stands(self, pk: str) -> Any:
        """The hours as they stand."""
        return get_object_or_404(Venue, pk=pk).hours

    def put(self, request: Request, pk: str) -> Response:
        """Set the hours, in place of any before.

        A day of the week has any number of spans; one that closes before it opens closes on the next day. A single
        date has its own, or is closed. Where clocks change, a local time may come twice or not at all: then the doors
        open at the earlier of the two instants that it may mean and close at the later.
        """
        version = stream_version(f"venue/{pk}")  # read first: whoever changes it from here on is noticed
        venue = get_object_or_404(Venue, pk=pk)
        by = attribution(request, venue.id)
        require_match(request, tag_of(venue.hours))
        set_hours(venue.id, structure(request.data, Hours), by, version=version)
        venue.refresh_from_db()
        return self.shown(VenueRow(venue).data, venue.hours)
