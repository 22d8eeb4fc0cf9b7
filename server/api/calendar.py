"""Calendars as feeds that calendar programs subscribe to: of a venue, of all venues, and of a person's venues.

A venue's is open to read for whoever reaches the server, as the console is, and shows what the console shows. Calendar
programs cannot send a header with a key, and a secret in the address lies in their settings, in logs and with whoever
reads calendars for them; it would guard nothing while the page beside it is open. Where the pages are closed, the
address has one all the same, for there is no other way; and so have the studio's and each person's, always, so that
they can be taken back from whoever has them.

A calendar of a whole year and the daily events of the sky costs seconds: what was written is kept until something moves
it, or the hour is over. The secret is asked for before that is looked into.

There is no `Last-Modified`: the span moves on by a day without anything having changed, so only the bytes tell.
"""

from __future__ import annotations

import hashlib
from abc import ABC, abstractmethod
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, ClassVar

from django.conf import settings
from django.contrib.auth.models import User
from django.http import Http404, HttpResponse, HttpResponseBase
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter
from rest_framework.permissions import AllowAny
from rest_framework.request import Request

from machines.errors import InputError
from scheduling.calendar.entries import CalendarSpan
from scheduling.calendar.joint_calendar import joint_calendar
from scheduling.calendar.sky_entries import MOST_SKY, SKY, USUAL_SKY
from scheduling.calendar.venue_calendar import venue_calendar
from scheduling.log.models import Venue
from scheduling.queries.newest_change import moved
from scheduling.sky.durations import parse_duration
from scheduling.supplies.forecast_cache import hour_of
from server import wiring
from server.accounts.calendar_addresses import STUDIO, is_secret_of, name_of, of_person, of_venue
from server.accounts.open_pages import may_read_calendar
from server.accounts.person_calendars import CalendarWishes, venues_of, wishes_of
from server.api.base_views import ApiView
from server.api.calendar_form import Feed, written
from server.api.conditional import answered
from server.api.queries import query_value
from server.heavy import ANSWERS

PRODUCT = "-//Dayroll//Calendar of a venue//EN"
JOINT_PRODUCT = "-//Dayroll//Calendar of several venues//EN"
# Whatever is wrong: who has no secret is not told which venues and accounts there are.
NOTHING = "Nothing is here."
USUAL = {"back": timedelta(days=28), "ahead": timedelta(days=365)}
MOST = {"back": timedelta(days=92), "ahead": timedelta(days=366)}


@dataclass(frozen=True)
class Asked:
    """What is asked for: the span, kinds of events of the sky, and this instant, UTC."""

    span: CalendarSpan
    sky: tuple[str, ...]
    now: datetime


@dataclass(frozen=True)
class Made:
    """A calendar that can be made.

    Attributes:
        of: whose it is, as no other can be called, and all else that it depends on beside what is asked for and how the
            log stands.
        make: makes it.
        file: what it is called as a file.
        cached: by whom it may be kept.
    """

    of: Hashable
    make: Callable[[Asked], Feed]
    file: str
    cached: str = "private, no-cache"


class AnyFeed(ApiView, ABC):
    """A calendar, to subscribe to."""

    authentication_classes = ()
    permission_classes = (AllowAny,)
    parameters = ("sky", "back", "ahead", "secret")
    secret_is: ClassVar[str] = "Of the address; who may have it is told that."
    shows: ClassVar[dict[Any, Any]] = {(200, "text/calendar"): OpenApiTypes.STR}

    @property
    def described(self) -> dict[str, OpenApiParameter]:
        """What may be asked for."""
        return DESCRIBED | {"secret": OpenApiParameter("secret", str, description=self.secret_is)}

    @abstractmethod
    def made_of(self, secret: str) -> Made:
        """Which calendar it is, by the address.

        Raises:
            Http404: there is none, or that is not its secret.
        """

    def get(self, request: Request, **named: Any) -> HttpResponseBase:
        """Openings, dates with other hours, service windows, when runs begin and end, when a roll, ink or a blade is
        expected to end, and events of the sky: those of whole days of UTC from ``back`` before now to ``ahead`` of it.

        304 where ``If-None-Match`` names the same calendar.
        """
        stand = moved()  # before anything is read, so that nothing older is kept by it
        made = self.made_of(request.query_params.get("secret", ""))
        now, back, ahead = wiring.now(), _days(request, "back"), _days(request, "ahead")
        asked = Asked(CalendarSpan.around(now, back, ahead), query_value(request, "sky", _events, USUAL_SKY), now)
        depends_on = ("calendar", made.of, asked.span, asked.sky, hour_of(now), stand)
        body = ANSWERS.get(depends_on, lambda: written(made.make(asked)))
        etag = f'"{hashlib.sha256(body).hexdigest()}"'
        headers = {
            "ETag": etag,
            "Cache-Control": made.cached,
            "Content-Disposition": f'inline; filename="{made.file}.ics"',
        }
        response = HttpResponse(body, content_type="text/calendar; charset=utf-8", headers=headers)
        return answered(request._request, etag, response)


class VenueFeed(AnyFeed):
    """A venue's calendar, to subscribe to."""

    secret_is = "Where the server's pages are closed; see the console."

    def made_of(self, secret: str) -> Made:
        """That of a venue."""
        venue = Venue.objects.filter(pk=self.kwargs["pk"]).first()
        if venue is None or not may_read_calendar(venue.id, secret):
            raise Http404(NOTHING)

        def make(asked: Asked) -> Feed:
            found = venue_calendar(venue, asked.span, asked.now, wiring.plates(), asked.sky)
            return Feed(
                product=PRODUCT,
                uid=found.uid,
                name=venue.name,
                zone=venue.zone,
                places={venue.id: venue.name},
                says_venue=False,
                entries=found.entries,
            )

        cached = "public, no-cache" if settings.OPEN_PAGES else "private, no-cache"
        return Made(of=of_venue(venue.id), make=make, file=venue.id, cached=cached)


class StudioFeed(AnyFeed):
    """The calendar of all venues, to subscribe to; each title names the venue."""

    def made_of(self, secret: str) -> Made:
        """That of every venue that is in use."""
        if not is_secret_of(STUDIO, secret):
            raise Http404(NOTHING)
        venues = list(Venue.objects.filter(retired_at=None).order_by("id"))
        return Made(of=STUDIO, make=_joint(STUDIO, "All venues", venues, CalendarWishes()), file="all-venues")


class PersonFeed(AnyFeed):
    """A person's calendar, of their venues and with their alarms, to subscribe to; each title names the venue."""

    def made_of(self, secret: str) -> Made:
        """That of a person whose account is not closed, of the venues that are theirs at this moment."""
        number: int = self.kwargs["pk"]
        of, person = of_person(number), User.objects.filter(pk=number, is_active=True).first()
        if person is None or not is_secret_of(of, secret):
            raise Http404(NOTHING)
        wishes = wishes_of(person.pk)
        venues = venues_of(person, wishes)
        depends_on = (of, wishes, tuple(venue.id for venue in venues))
        return Made(of=depends_on, make=_joint(of, "My venues", venues, wishes), file="my-venues")


def _joint(of: str, name: str, venues: Sequence[Venue], wishes: CalendarWishes) -> Callable[[Asked], Feed]:
    """The calendar of several venues."""

    def make(asked: Asked) -> Feed:
        found = joint_calendar(venues, asked.span, asked.now, wiring.plates(), asked.sky)
        return Feed(
            product=JOINT_PRODUCT,
            uid=str(name_of(of)),
            name=name,
            zone=venues[0].zone if venues else "UTC",
            places=found.names,
            says_venue=True,
            entries=found.entries,
            before_min=wishes.before_min,
        )

    return make


DESCRIBED = {
    "sky": OpenApiParameter(
        "sky",
        str,
        description="Events of the sky, separated by commas; empty for none; where not given "
        f"{','.join(USUAL_SKY)}. At most {MOST_SKY} events. There are: {', '.join(SKY)}.",
    ),
    "back": OpenApiParameter("back", str, description="ISO 8601 duration up to P92D; P28D where not given."),
    "ahead": OpenApiParameter("ahead", str, description="ISO 8601 duration up to P366D; P365D where not given."),
}


def _events(text: str) -> tuple[str, ...]:
    return tuple(text.split(",")) if text else ()


def _days(request: Request, name: str) -> timedelta:
    """How far the calendar reaches to one side.

    Raises:
        InputError: not a duration, or out of range.
    """
    remedy = f"give an ISO 8601 duration such as P14D, at most P{MOST[name].days}D"

    def read(text: str) -> timedelta:
        try:
            span = parse_duration(text)
        except InputError as error:
            raise InputError(name, error.problem, remedy) from None
        if not timedelta(0) <= span <= MOST[name]:
            raise InputError(name, f"{text!r} is out of range", remedy)
        return span

    return query_value(request, name, read, USUAL[name])
