"""The hours of a venue and its quiet hours: what is so now, and the pages on which a person sets them.

What would follow is shown first. What somebody else changed between the looking and the keeping is shown again.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from machines.errors import InputError
from machines.serialization import structure
from scheduling.commands.changes import Change, make
from scheduling.commands.hours import change_hours, change_quiet_hours
from scheduling.commands.idempotency import digest_of
from scheduling.log.models import Venue
from scheduling.log.remarks import LONGEST_REMARK
from scheduling.log.store import VersionConflict, stream_version
from scheduling.planning.days_spans import DAYS
from scheduling.planning.opening_hours import Hours, open_spans
from scheduling.planning.quiet_hours import QuietHours
from scheduling.sky.zones import zone
from scheduling.venues.hours import venue_hours
from scheduling.venues.quiet import quiet_hours, quiet_of
from server import wiring
from server.console import formatting
from server.console.author import author, for_givers_of

LOOK_AHEAD = timedelta(days=14)
LONGEST_TEXT = 20_000
# An en dash is what many people type between two times.
DASH = re.compile(r"\s*[-–]\s*")
PLACE = re.compile(r"(?:week\.(?P<day>\w+)|dates\[(?P<line>\d+)\])")


class HoursForm(forms.Form):
    """A line for each day of the week, such as ``10:00-13:00, 14:00-18:00``, and a line for each date that differs."""

    dates = forms.CharField(required=False, max_length=LONGEST_TEXT)
    reason = forms.CharField(required=False, max_length=LONGEST_REMARK)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for day in DAYS:
            self.fields[day] = forms.CharField(required=False, max_length=400)

    @property
    def days(self) -> list[forms.BoundField]:
        """The fields of the week, Monday first."""
        return [self[day] for day in DAYS]

    def said(self, kind: Kind) -> dict[str, Any]:
        """What a valid form says, as the API takes it."""
        lines = [line.split(maxsplit=1) for line in self.cleaned_data["dates"].splitlines() if line.strip()]
        return {
            "week": {day: _spans(self.cleaned_data[day], kind) for day in DAYS},
            "dates": [
                {"date": line[0], kind.of_date: _spans(line[1], kind) if len(line) > 1 else []} for line in lines
            ],
        }

    def refuse(self, error: InputError) -> None:
        """Put what is wrong beside the line that it is in."""
        place = PLACE.match(error.field)
        if place is None:
            self.add_error(None, error.said)
        elif place["day"] in self.fields:
            self.add_error(place["day"], error.said)
        else:
            self.add_error("dates", f"date {int(place['line']) + 1}: {error.said}")


@dataclass(frozen=True)
class Kind:
    """Hours, or quiet hours: what a page has to know of them.

    Attributes:
        title: of the page.
        held: the dataclass.
        ends: what a span's two times are called.
        of_date: what a date's spans are called.
        stands: those of a venue.
        change: sets them.
    """

    title: str
    held: type[Any]
    ends: tuple[str, str]
    of_date: str
    stands: Callable[[Venue], Any]
    change: Callable[..., Change]


HOURS = Kind("Hours", Hours, ("opens", "closes"), "open", venue_hours, change_hours)
QUIET = Kind("Quiet hours", QuietHours, ("begins", "ends"), "quiet", quiet_hours, change_quiet_hours)


@for_givers_of(change_hours)
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def edit(request: HttpRequest, venue: str) -> HttpResponse:
    """The hours as they are, to be changed as a whole."""
    return _edit(request, venue, HOURS)


@for_givers_of(change_quiet_hours)
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def edit_quiet(request: HttpRequest, venue: str) -> HttpResponse:
    """The quiet hours as they are, to be changed as a whole."""
    return _edit(request, venue, QUIET)


def _edit(request: HttpRequest, venue: str, kind: Kind) -> HttpResponse:
    """How they stand; once it is said how they are to be, what would follow; once that is kept, they are so."""
    version = stream_version(f"venue/{venue}")  # read first: whoever changes it from here on is noticed
    row = get_object_or_404(Venue, pk=venue, retired_at=None)
    by = author(request, kind.change, row.id)
    form = HoursForm(request.POST or None, initial=as_lines(kind.stands(row), kind))
    page: dict[str, Any] = {"form": form, "venue": row, "kind": kind, "doors": doors(row, wiring.now())}
    if request.method == "POST" and form.is_valid():
        try:
            change = kind.change(row, structure(form.said(kind), kind.held), by.said_at, version)
            seen = digest_of(change.preview)
            if request.POST.get("keep") == seen:
                make(change, form.cleaned_data["reason"] or None, by, wiring.chance(), accepted=True)
                messages.success(request, f"The {kind.title.lower()} of {row.name} are set.")
                return redirect("console")
            page |= {"preview": change.preview, "seen": seen}
        except InputError as error:
            form.refuse(error)
        except VersionConflict:
            form.add_error(None, "Somebody else changed this venue at the same time; look at its hours, then set them.")
    return render(request, "console/hours.html", page)


def doors(venue: Venue, now: datetime) -> str:
    """Whether a venue is open, and when that changes, in words and by its own clock; and so of its quiet hours."""
    return f"{_open_now(venue, now)} {_quiet_now(venue, now)}".rstrip()


def _open_now(venue: Venue, now: datetime) -> str:
    hours = venue_hours(venue)
    if hours is None:
        return _("No hours are set.")
    spans = open_spans(hours, zone(venue.zone), now, now + LOOK_AHEAD)
    if not spans:
        return _("Closed, and not open within {days} days.").format(days=LOOK_AHEAD.days)
    opens, closes = spans[0]
    if opens > now:
        return _("Closed; opens {when}.").format(when=_when(opens, venue.zone, now))
    if closes >= now + LOOK_AHEAD:
        return _("Open day and night.")
    return _("Open until {when}.").format(when=_when(closes, venue.zone, now))


def _quiet_now(venue: Venue, now: datetime) -> str:
    """Empty where it has none near."""
    quiet = quiet_of(venue)
    spans = () if quiet is None else quiet(now, now + LOOK_AHEAD)
    if not spans:
        return ""
    begins, ends = spans[0]
    if begins > now:
        return _("Quiet from {when}.").format(when=_when(begins, venue.zone, now))
    if ends >= now + LOOK_AHEAD:
        return _("Quiet hours, day and night: no strip is cut.")
    return _("Quiet hours until {when}: no strip is cut until then.").format(when=_when(ends, venue.zone, now))


def as_lines(hours: Any, kind: Kind = HOURS) -> dict[str, str]:
    """Hours as the form shows them."""
    if hours is None:
        return {}
    days = {day: _text(spans, kind) for day, spans in zip(DAYS, hours.week.days, strict=True)}
    return days | {"dates": "\n".join(_date_line(one, kind) for one in hours.dates)}


def _date_line(one: Any, kind: Kind) -> str:
    return f"{one.date} {_text(getattr(one, kind.of_date), kind)}".rstrip()


def _text(spans: tuple[Any, ...], kind: Kind) -> str:
    return ", ".join("-".join(getattr(one, name) for name in kind.ends) for one in spans)


def _spans(text: str, kind: Kind) -> list[dict[str, str]]:
    """Each part of a line; what is no span is left for the check to refuse."""
    parts = [DASH.split(part.strip(), maxsplit=1) for part in text.split(",") if part.strip()]
    return [dict(zip(kind.ends, (*part, "")[:2], strict=True)) for part in parts]


def _when(at: datetime, zone_name: str, now: datetime) -> str:
    """A local time; with its date where that is not today's."""
    time = formatting.clock_time(at, zone_name)
    day = formatting.date(at, zone_name)
    return time if day == formatting.date(now, zone_name) else f"{day} {time}"
