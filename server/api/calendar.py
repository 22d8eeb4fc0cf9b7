"""A venue's calendar as a feed that calendar programs subscribe to: iCalendar, RFC 5545, with properties of RFC 7986.

It is open to read for whoever reaches the server, as the console is, and shows what the console shows. Calendar
programs cannot send a header with a key, and a secret in the address lies in their settings, in logs and with whoever
reads calendars for them; it would guard nothing while the page beside it is open. Where the pages are closed, the
address has one all the same, for there is no other way.

A calendar of a whole year and the daily events of the sky costs seconds: what was written is kept until something moves
it, or the hour is over.

There is no `Last-Modified`: the span moves on by a day without anything having changed, so only the bytes tell.
"""

from __future__ import annotations

import hashlib
import re
from datetime import UTC, date, datetime, timedelta
from typing import Any, ClassVar

import icalendar
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter
from rest_framework.permissions import AllowAny
from rest_framework.request import Request

from machines.errors import InputError
from scheduling.calendar.entries import CalendarEntry, CalendarSpan
from scheduling.calendar.sky_entries import MOST_SKY, SKY, USUAL_SKY
from scheduling.calendar.venue_calendar import VenueCalendar, venue_calendar
from scheduling.log.models import Venue
from scheduling.queries.newest_change import moved
from scheduling.sky.durations import parse_duration
from scheduling.supplies.forecast_cache import hour_of
from server import wiring
from server.accounts.open_pages import may_read_calendar
from server.api.base_views import ApiView
from server.api.conditional import answered
from server.api.queries import query_value
from server.heavy import ANSWERS

PRODUCT = "-//Dayroll//Calendar of a venue//EN"
REFRESH = timedelta(hours=1)
USUAL = {"back": timedelta(days=28), "ahead": timedelta(days=365)}
MOST = {"back": timedelta(days=92), "ahead": timedelta(days=366)}
# RFC 5545 section 3.1: CONTROL, of which a text has no other than tabs and, escaped, line feeds; and what turns the
# direction of all that follows, which a name of an earlier version may hold.
CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\u202a-\u202e\u2066-\u2069]")


class VenueFeed(ApiView):
    """A venue's calendar, to subscribe to."""

    authentication_classes = ()
    permission_classes = (AllowAny,)
    parameters = ("sky", "back", "ahead", "secret")
    described: ClassVar = {
        "sky": OpenApiParameter(
            "sky",
            str,
            description="Events of the sky, separated by commas; empty for none; where not given "
            f"{','.join(USUAL_SKY)}. At most {MOST_SKY} events. There are: {', '.join(SKY)}.",
        ),
        "back": OpenApiParameter("back", str, description="ISO 8601 duration up to P92D; P28D where not given."),
        "ahead": OpenApiParameter("ahead", str, description="ISO 8601 duration up to P366D; P365D where not given."),
        "secret": OpenApiParameter("secret", str, description="Where the server's pages are closed; see the console."),
    }
    shows: ClassVar[dict[Any, Any]] = {(200, "text/calendar"): OpenApiTypes.STR}

    def get(self, request: Request, pk: str) -> HttpResponseBase:
        """Openings, dates with other hours, service windows, when runs begin and end, when a roll, ink or a blade is
        expected to end, and events of the sky: those of whole days of UTC from ``back`` before now to ``ahead`` of it.

        304 where ``If-None-Match`` names the same calendar.
        """
        stand = moved()  # before anything is read, so that nothing older is kept by it
        venue = get_object_or_404(Venue, pk=pk)
        if not may_read_calendar(venue.id, request.query_params.get("secret", "")):
            raise Http404("Nothing is here.")
        now, back, ahead = wiring.now(), _days(request, "back"), _days(request, "ahead")
        sky = query_value(request, "sky", _events, USUAL_SKY)
        span = CalendarSpan.around(now, back, ahead)
        depends_on = ("calendar", venue.id, span, sky, hour_of(now), stand)
        body = ANSWERS.get(depends_on, lambda: written(venue_calendar(venue, span, now, wiring.plates(), sky)))
        etag = f'"{hashlib.sha256(body).hexdigest()}"'
        headers = {
            "ETag": etag,
            "Cache-Control": "public, no-cache",
            "Content-Disposition": f'inline; filename="{venue.id}.ics"',
        }
        response = HttpResponse(body, content_type="text/calendar; charset=utf-8", headers=headers)
        return answered(request._request, etag, response)


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


def written(calendar: VenueCalendar) -> bytes:
    """A calendar in iCalendar's form."""
    feed = icalendar.Calendar()
    feed.add("prodid", PRODUCT)
    feed.add("version", "2.0")
    feed.add("uid", calendar.uid)
    # Of the RFC after the one that the library was made for: it has to be told that this is a text.
    feed.add("name", icalendar.vText(_text(calendar.venue.name)))
    feed.add("refresh-interval", REFRESH, parameters={"VALUE": "DURATION"})
    for entry in calendar.entries:
        feed.add_component(_event(entry, calendar.venue))
    if not calendar.entries:
        # RFC 5545 section 3.6: a calendar has at least one component.
        feed.add_component(icalendar.Timezone.from_tzid(calendar.venue.zone))
    octets: bytes = feed.to_ical()
    return octets


def _event(entry: CalendarEntry, venue: Venue) -> icalendar.Event:
    """An entry. None takes the time of whoever subscribes, and an instant has no end (RFC 5545 section 3.6.1)."""
    event = icalendar.Event()
    event.add("uid", entry.uid)
    # Without a METHOD this says, as LAST-MODIFIED does, when it was last changed (RFC 5545 section 3.8.7.2).
    event.add("dtstamp", _whole_second(entry.changed_at))
    event.add("dtstart", _value(entry.starts_at))
    if entry.ends_at is not None:
        event.add("dtend", _value(entry.ends_at))
    event.add("summary", _text(entry.title))
    event.add("description", _text(entry.description))
    event.add("categories", [entry.category])
    event.add("transp", "TRANSPARENT")
    if entry.is_cancelled:
        event.add("status", "CANCELLED")
    if entry.category != "sky":  # which is not of the venue, and is not counted
        event.add("last-modified", _whole_second(entry.changed_at))
        event.add("sequence", entry.revision)
        event.add("location", _text(venue.name))
    return event


def _value(at: datetime | date) -> datetime | date:
    return _whole_second(at) if isinstance(at, datetime) else at


def _whole_second(at: datetime) -> datetime:
    """The nearest second: iCalendar knows no parts of one."""
    return (at.astimezone(UTC) + timedelta(microseconds=500_000)).replace(microsecond=0)


def _text(text: str) -> str:
    """A text as it can stand there; the library escapes it."""
    return CONTROL.sub("\N{REPLACEMENT CHARACTER}", text.replace("\r\n", "\n").replace("\r", "\n"))
