"""Venues: where machines stand, when they are open, when it is to be quiet, and whom to ring."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, ClassVar

from django.http import Http404
from django.shortcuts import get_object_or_404
from rest_framework.request import Request
from rest_framework.response import Response

from machines.serialization import structure
from scheduling.commands.additions import AddVenue
from scheduling.commands.changes import Change
from scheduling.commands.contacts import change_contacts
from scheduling.commands.hours import change_hours, change_quiet_hours
from scheduling.commands.venues import NEVER_CHANGED, SHOWN, as_ordered
from scheduling.log.models import Venue
from scheduling.log.moment import AsOf
from scheduling.log.projecting.as_of import venue_row_at
from scheduling.planning.opening_hours import Hours
from scheduling.planning.quiet_hours import QuietHours
from scheduling.venues.contacts import VenueContacts, said_contacts
from server import wiring
from server.api.changes import Changeable, ChangeView, apart_from_reason
from server.api.conditional import Replaced, tag_of
from server.api.past import DESCRIBED, PARAMETERS, asked_moment
from server.api.serializers import Row, Stored


class VenueRow(Row):
    """A venue; its hours and quiet hours are null while nobody has set any, ``contacts_set_at`` while nobody has said
    whom to ring, ``retired_at`` while it is used."""

    hours = Stored(Hours | None)
    quiet = Stored(QuietHours | None)

    class Meta:
        model = Venue
        fields = (
            "id",
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


@dataclass(frozen=True, kw_only=True)
class PartOfVenue(Changeable):
    """What is set of a venue as a whole.

    Attributes:
        stands: that part of a row, as JSON.
    """

    stands: Callable[[Any], Any]

    def tag(self, row: Any) -> str:
        """The strong tag of that part."""
        return tag_of(self.stands(row))


def _part(stands: Callable[[Any], Any], change: Callable[..., Change]) -> PartOfVenue:
    return PartOfVenue(
        kind="venue",
        model=Venue,
        serializer=VenueRow,
        command=AddVenue,
        as_ordered=as_ordered,
        fixed=NEVER_CHANGED,
        shown=SHOWN,
        change=change,
        venue_of=lambda row: row.id,
        acts={},
        stands=stands,
    )


class VenuePart(Replaced, ChangeView):
    """A part of a venue that is set as a whole, as any change is made: it can be looked at first, with a ``reason`` for
    the record beside it in the body."""

    parameters = PARAMETERS
    described: ClassVar[Mapping[str, Any]] = DESCRIBED
    serializer_class = VenueRow

    def stands(self, pk: str) -> Any:
        """As it stands, or as it was."""
        moment = asked_moment(self.request)
        if moment == AsOf():
            return self.changeable.stands(get_object_or_404(Venue, pk=pk))
        row = venue_row_at(pk, moment)
        if row is None:
            raise Http404(f"There was no {pk!r} then.")
        return self.changeable.stands(row)

    def set(self, request: Request, pk: str, held: type[Any]) -> Response:
        """What setting it would do, or the venue as it then is."""
        body, reason = apart_from_reason(request.data)
        value, now = structure(body, held), wiring.now()
        change: Callable[[Any, Any, datetime, int], Change] = self.changeable.change
        return self.carried_out(request, pk, lambda row, version: change(row, value, now, version), reason)


@dataclass(frozen=True, kw_only=True)
class SetHours(Hours):
    """Hours, and why they are set, for the record; that may be left out."""

    reason: str | None = None


@dataclass(frozen=True, kw_only=True)
class SetQuietHours(QuietHours):
    """Quiet hours, and why they are set, for the record; that may be left out."""

    reason: str | None = None


class VenueHours(VenuePart):
    """When a venue is open, by the clocks of its zone."""

    command = staticmethod(change_hours)
    reads, held = SetHours, Hours | None
    changeable = _part(lambda row: row.hours, change_hours)

    def put(self, request: Request, pk: str) -> Response:
        """Set the hours, in place of any before.

        A day of the week has any number of spans; one that closes before it opens closes on the next day. A single
        date has its own, or is closed. Where clocks change, a local time may come twice or not at all: then the doors
        open at the earlier of the two instants that it may mean and close at the later.
        """
        return self.set(request, pk, Hours)


class VenueQuietHours(VenuePart):
    """When it is to be quiet at a venue, by the clocks of its zone."""

    command = staticmethod(change_quiet_hours)
    reads, held = SetQuietHours, QuietHours | None
    changeable = _part(lambda row: row.quiet, change_quiet_hours)

    def put(self, request: Request, pk: str) -> Response:
        """Set the quiet hours, in place of any before; a week and dates without spans take them away.

        Between them no knife moves there by itself and no idle nozzle is fired. Printing goes on: a strip that ends
        in quiet hours hangs on to the next, and is cut with it once they are over. A span that ends before it begins
        ends on the next day. Where clocks change, a local time may come twice or not at all: then it is quiet from
        the earlier of the two instants that it may mean to the later.
        """
        return self.set(request, pk, QuietHours)


@dataclass(frozen=True, kw_only=True)
class SetContacts(VenueContacts):
    """Whom to ring, and why it is said anew, for the record; that may be left out."""

    reason: str | None = None


class ContactsOfVenue(VenuePart):
    """Whom to ring about the machines of a venue. Only what stands now is kept: of people nothing lies in the log."""

    parameters: ClassVar[Any] = ()
    described: ClassVar[Mapping[str, Any]] = {}
    command = staticmethod(change_contacts)
    reads, held = SetContacts, VenueContacts | None
    changeable = _part(lambda row: said_contacts(row.id), change_contacts)

    def put(self, request: Request, pk: str) -> Response:
        """Say whom to ring, in place of whoever stood there; an empty list takes them all away.

        They are tried in this order. Each has a telephone number or an e-mail address. The venue's sheet shows them,
        to whoever may see that page; the log only says that they were changed, by whom and when.
        """
        return self.set(request, pk, VenueContacts)
