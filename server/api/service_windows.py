"""Service windows: when somebody with hands is at a venue, to change roll, cartridge or blade."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, ClassVar

from django.db.models import QuerySet
from django.shortcuts import get_object_or_404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter
from rest_framework.request import Request
from rest_framework.response import Response

from machines.errors import InputError
from machines.serialization import unstructure
from scheduling.commands.additions import FixServiceWindow
from scheduling.log.models import ServiceWindow, Venue
from scheduling.log.moment import AsOf
from scheduling.log.projecting.as_of import Page, service_windows_at
from scheduling.planning.service_windows import Comes, ServiceSpan
from scheduling.queries.venue_context import venue_context
from scheduling.sky.anchors import require_year
from scheduling.sky.zones import zone
from scheduling.venues.service_windows import windows_of
from server import wiring
from server.api.base_views import ApiView
from server.api.past import PastCollection, asked_instant
from server.api.queries import named
from server.api.serializers import Row, Stored, Written

USUAL_SPAN, LONGEST_SPAN = timedelta(days=28), timedelta(days=366)
DATETIME = OpenApiTypes.DATETIME


@dataclass(frozen=True, kw_only=True)
class CallOff:
    """Nobody comes in the window any more, or in a weekly one not on one local ``date``; and why, for the record."""

    reason: str | None = None
    date: str | None = None


@dataclass(frozen=True, kw_only=True)
class TakeBack:
    """Somebody comes in the window after all, or in a weekly one on one local ``date``; and why, for the record."""

    reason: str | None = None
    date: str | None = None


@dataclass(frozen=True, kw_only=True)
class ComingService:
    """One time that a window comes.

    Attributes:
        window, name: which.
        starts_at, ends_at: UTC.
        local_starts_at, local_ends_at: the same instants by the venue's clock, with its offset from UTC then.
    """

    window: str
    name: str
    starts_at: datetime
    ends_at: datetime
    local_starts_at: str
    local_ends_at: str


@dataclass(frozen=True, kw_only=True)
class ComingServices:
    """When somebody with hands comes to a venue between two instants, UTC.

    Attributes:
        zone: of the venue, IANA.
        windows: each time, whole where it reaches beyond the two instants, in order; of a window that was called off
            those that were over by then.
    """

    venue: str
    zone: str
    starts_at: datetime
    ends_at: datetime
    windows: tuple[ComingService, ...]


class ServiceWindowRow(Row):
    """A service window. ``begins_at`` is null for one that comes every week, ``called_off_at`` while it stands;
    ``dates_off`` are the local dates on which a weekly one does not begin."""

    comes = Stored(Comes)
    called_off_because = Written("called_off_because", "called_off_remark")

    class Meta:
        model = ServiceWindow
        fields = ("id", "venue", "name", "comes", "begins_at", "called_off_at", "called_off_because", "dates_off")


class ServiceWindows(PastCollection):
    """The service windows, called off or not, and fixing one."""

    parameters = (*PastCollection.parameters, "venue")
    described: ClassVar = {
        **PastCollection.described,
        "venue": OpenApiParameter("venue", str, description="Only at this venue."),
    }
    queryset = ServiceWindow.objects.all()
    serializer_class = ServiceWindowRow
    command = FixServiceWindow
    detail = "service-window"

    def get_queryset(self) -> QuerySet[Any]:
        """Those of the venue that the query names."""
        venue = self._venue()
        return ServiceWindow.objects.all() if venue is None else ServiceWindow.objects.filter(venue_id=venue)

    def as_they_were(self, moment: AsOf, part: Page) -> list[ServiceWindow]:
        """A part of the service windows then."""
        return service_windows_at(moment, part, venue=self._venue())

    def _venue(self) -> str | None:
        if getattr(self, "swagger_fake_view", False):  # the API is being described: there is no request
            return None
        venue = named(self.request, "venue", Venue)
        return None if venue is None else venue.id


class VenueServiceWindows(ApiView):
    """When somebody with hands comes to a venue, in UTC and by the clock there."""

    parameters = ("from", "to")
    described: ClassVar = {
        "from": OpenApiParameter("from", DATETIME, description="Windows that end after; now if not given."),
        "to": OpenApiParameter(
            "to", DATETIME, description="Windows that begin before, up to 366 days on; 28 days on if not given."
        ),
    }
    shows = ComingServices

    def get(self, request: Request, pk: str) -> Response:
        """Each time that a window comes between two instants, in order."""
        venue = get_object_or_404(Venue, pk=pk)
        starts_at, ends_at = _asked_span(request)
        coming = ComingServices(
            venue=venue.id,
            zone=venue.zone,
            starts_at=starts_at,
            ends_at=ends_at,
            windows=tuple(_coming(one, venue) for one in windows_of(venue_context(venue), starts_at, ends_at)),
        )
        return Response(unstructure(coming))


def _asked_span(request: Request) -> tuple[datetime, datetime]:
    starts_at = asked_instant(request, "from") or wiring.now()
    require_year("from", starts_at.year)
    ends_at = asked_instant(request, "to") or starts_at + USUAL_SPAN
    if not starts_at < ends_at <= starts_at + LONGEST_SPAN:
        problem = "not after from" if ends_at <= starts_at else f"more than {LONGEST_SPAN.days} days after from"
        raise InputError("to", problem, f"give an instant within the {LONGEST_SPAN.days} days after from")
    return starts_at, ends_at


def _coming(span: ServiceSpan, venue: Venue) -> ComingService:
    clock = zone(venue.zone)
    return ComingService(
        window=span.window,
        name=span.name,
        starts_at=span.starts_at,
        ends_at=span.ends_at,
        local_starts_at=span.starts_at.astimezone(clock).isoformat(),
        local_ends_at=span.ends_at.astimezone(clock).isoformat(),
    )
