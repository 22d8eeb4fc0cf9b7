"""The secret addresses of calendars, another address, and what a person wants of their own calendar.

A person's are for them, who come by the pages, and for whoever keeps the accounts.
"""

from __future__ import annotations

from abc import abstractmethod
from dataclasses import dataclass
from typing import Any, ClassVar

from django.contrib.auth.models import User
from django.shortcuts import get_object_or_404
from django.urls import reverse
from rest_framework.request import Request
from rest_framework.response import Response

from machines.serialization import structure, unstructure
from scheduling.commands.changes import Change, make
from scheduling.log.models import Venue
from scheduling.log.store import Attribution, stream_version
from server import wiring
from server.accounts.calendar_addresses import (
    STUDIO,
    AddressKnown,
    known_address,
    of_person,
    of_venue,
    renew_person_address,
    renew_studio_address,
    renew_venue_address,
    stream_of,
)
from server.accounts.person_calendars import CalendarWishes, set_wishes, wishes_of
from server.accounts.principals import KeyHolder
from server.accounts.roles import require_role
from server.api.base_views import ApiView, asked_for, attribution
from server.api.changes import ORDERED_WITH, Reason, accepted, apart_from_reason
from server.api.conditional import Replaced, require_match, tag_of

LOOKED_AT = {name: ORDERED_WITH[name] for name in ("preview", "accept")}


class AddressOfCalendar(ApiView):
    """The address of a calendar, and another in its place.

    Attributes:
        feed: name of the address in the urlconf.
    """

    shows: ClassVar[Any] = AddressKnown
    reads, answers, previews = Reason, 200, True
    ordered_with: ClassVar[Any] = LOOKED_AT
    feed: ClassVar[str]

    @abstractmethod
    def of(self, pk: str) -> str:
        """Whose calendar it is.

        Raises:
            Http404: nobody's.
        """

    @abstractmethod
    def renewed(self, pk: str, by: Attribution, version: int) -> Change:
        """Another address."""

    def by(self, request: Request, pk: str) -> Attribution:
        """Who says so."""
        return attribution(request)

    def get(self, request: Request, pk: str) -> Response:
        """The address with its secret, below the server's own, to be given to calendar programs: whoever has it reads
        the calendar. Null while none was made."""
        return self._known(pk)

    def post(self, request: Request, pk: str) -> Response:
        """Make another address, or the first. At the one of before nothing is from then on (404), also for whoever
        keeps what was there: each call is asked for the secret first."""
        reason, stream = structure(request.data, Reason).reason, stream_of(self.of(pk))
        version = stream_version(stream)  # read first: whoever changes it from here on is noticed
        by = self.by(request, pk)
        change = self.renewed(pk, by, version)
        if asked_for(request, "preview"):
            return Response(unstructure(change.preview))
        make(change, reason, by, wiring.chance(), accepted=accepted(request))
        return self._known(pk)

    def _known(self, pk: str) -> Response:
        return Response(unstructure(known_address(self.of(pk), self.where(pk))))

    def where(self, pk: str) -> str:
        """The calendar's address without its secret."""
        return reverse(self.feed, args=[pk])


class AddressOfStudio(AddressOfCalendar):
    """The address of the calendar of all venues, for the studio alone."""

    command = staticmethod(renew_studio_address)
    feed = "studio-calendar"

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        """Only for who may make another."""
        super().initial(request, *args, **kwargs)
        assert isinstance(request.user, KeyHolder)
        require_role(request.user.standing, renew_studio_address)

    def of(self, pk: str) -> str:
        """The studio's."""
        return STUDIO

    def where(self, pk: str) -> str:
        """There is one alone."""
        return reverse(self.feed)

    def renewed(self, pk: str, by: Attribution, version: int) -> Change:
        """Another of the studio's."""
        return renew_studio_address(by.said_at, version, wiring.chance())


class AddressOfVenue(AddressOfCalendar):
    """The address of a venue's calendar. Only where the server's pages are closed is it asked for its secret."""

    command = staticmethod(renew_venue_address)
    feed = "venue-calendar"

    def of(self, pk: str) -> str:
        """A venue's."""
        return of_venue(get_object_or_404(Venue, pk=pk).id)

    def by(self, request: Request, pk: str) -> Attribution:
        """Who says so, for that venue."""
        return attribution(request, pk)

    def renewed(self, pk: str, by: Attribution, version: int) -> Change:
        """Another of a venue's."""
        return renew_venue_address(get_object_or_404(Venue, pk=pk), by.said_at, version, wiring.chance())


@dataclass(frozen=True, kw_only=True)
class SetWishes(CalendarWishes):
    """What a person wants of their calendar, and why it is said anew, for the record; that may be left out."""

    reason: str | None = None


class OfPerson(ApiView):
    """Something of a person's own: for them, and for whoever keeps the accounts."""

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        """Also to read."""
        super().initial(request, *args, **kwargs)
        assert isinstance(request.user, KeyHolder)
        self.require_may_order(request.user)

    def require_may_order(self, holder: KeyHolder) -> None:
        """Whoever it is of, whatever their role; whoever keeps the accounts."""
        if holder.actor != f"user:{self.kwargs['pk']}":
            super().require_may_order(holder)


class AddressOfPerson(OfPerson, AddressOfCalendar):
    """The address of a person's calendar, by the number of their account: for them, and for the studio."""

    command = staticmethod(renew_person_address)
    feed = "person-calendar"

    def of(self, pk: str) -> str:
        """A person's."""
        return of_person(get_object_or_404(User, pk=pk).pk)

    def renewed(self, pk: str, by: Attribution, version: int) -> Change:
        """Another of a person's."""
        return renew_person_address(get_object_or_404(User, pk=pk), by.said_at, version, wiring.chance())

    def by(self, request: Request, pk: str) -> Attribution:
        """Who says so: for no venue, whatever theirs are."""
        return attribution(request, ())


class WishesOfPerson(OfPerson, Replaced):
    """What a person wants of their calendar: which of their venues, and when it reminds; for them, and for the studio.
    Only what stands now is kept."""

    command = staticmethod(set_wishes)
    reads, held = SetWishes, CalendarWishes
    said = "As it stands. Its `ETag` is what `If-Match` names when it is replaced."
    shows, previews, answers = CalendarWishes, True, 200
    ordered_with: ClassVar[Any] = {name: ORDERED_WITH[name] for name in ("preview", "accept", "If-Match")}

    def stands(self, pk: str) -> Any:
        """As JSON."""
        return unstructure(wishes_of(get_object_or_404(User, pk=pk).pk))

    def put(self, request: Request, pk: str) -> Response:
        """Say it anew, in place of all before.

        Without ``venues`` all of theirs stand in it, by their role at each call. An alarm reminds ``before_min``
        minutes before each entry of a kind; of a whole day, before its first midnight."""
        body, reason = apart_from_reason(request.data)
        after, person = structure(body, CalendarWishes), get_object_or_404(User, pk=pk)
        version = stream_version(stream_of(of_person(person.pk)))
        by = attribution(request, ())
        require_match(request, tag_of(self.stands(pk)))
        change = set_wishes(person, after, version)
        if asked_for(request, "preview"):
            return Response(unstructure(change.preview))
        make(change, reason, by, wiring.chance(), accepted=accepted(request))
        stands = self.stands(pk)
        return self.shown(stands, stands)
