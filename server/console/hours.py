"""The hours of a venue: whether its doors are open now, and the page on which a person sets them."""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from machines.errors import InputError
from machines.serialization import structure
from scheduling.log.models import Venue
from scheduling.log.store import VersionConflict
from scheduling.planning.opening_hours import DAYS, DateHours, Hours, OpenSpan, open_spans
from scheduling.sky.zones import zone
from scheduling.venues.hours import set_hours, venue_hours
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

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for day in DAYS:
            self.fields[day] = forms.CharField(required=False, max_length=400)

    @property
    def days(self) -> list[forms.BoundField]:
        """The fields of the week, Monday first."""
        return [self[day] for day in DAYS]

    def said(self) -> dict[str, Any]:
        """What a valid form says, as the API takes it."""
        lines = [line.split(maxsplit=1) for line in self.cleaned_data["dates"].splitlines() if line.strip()]
        return {
            "week": {day: _spans(self.cleaned_data[day]) for day in DAYS},
            "dates": [{"date": line[0], "open": _spans(line[1]) if len(line) > 1 else []} for line in lines],
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


@for_givers_of(set_hours)
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def edit(request: HttpRequest, venue: str) -> HttpResponse:
    """The hours as they are, to be changed as a whole."""
    row = get_object_or_404(Venue, pk=venue, retired_at=None)
    by = author(request, set_hours, row.id)
    form = HoursForm(request.POST or None, initial=as_lines(venue_hours(row)))
    if request.method == "POST" and form.is_valid():
        try:
            set_hours(row.id, structure(form.said(), Hours), by)
        except InputError as error:
            form.refuse(error)
        except VersionConflict:
            form.add_error(None, "Somebody else changed this venue at the same time; look at its hours, then set them.")
        else:
            messages.success(request, f"The hours of {row.name} are set.")
            return redirect("console")
    return render(request, "console/hours.html", {"form": form, "venue": row, "doors": doors(row, wiring.now())})


def doors(venue: Venue, now: datetime) -> str:
    """Whether a venue is open, and when that changes, in words and by its own clock."""
    hours = venue_hours(venue)
    if hours is None:
        return "No hours are set."
    spans = open_spans(hours, zone(venue.zone), now, now + LOOK_AHEAD)
    if not spans:
        return f"Closed, and not open within {LOOK_AHEAD.days} days."
    opens, closes = spans[0]
    if opens > now:
        return f"Closed; opens {_when(opens, venue.zone, now)}."
    if closes >= now + LOOK_AHEAD:
        return "Open day and night."
    return f"Open until {_when(closes, venue.zone, now)}."


def as_lines(hours: Hours | None) -> dict[str, str]:
    """Hours as the form shows them."""
    if hours is None:
        return {}
    days = {day: _text(spans) for day, spans in zip(DAYS, hours.week.days, strict=True)}
    return days | {"dates": "\n".join(map(_date_line, hours.dates))}


def _date_line(one: DateHours) -> str:
    return f"{one.date} {_text(one.open)}".rstrip()


def _text(spans: tuple[OpenSpan, ...]) -> str:
    return ", ".join(f"{one.opens}-{one.closes}" for one in spans)


def _spans(text: str) -> list[dict[str, str]]:
    """Each part of a line; what is no span is left for the check to refuse."""
    parts = [DASH.split(part.strip(), maxsplit=1) for part in text.split(",") if part.strip()]
    return [{"opens": part[0], "closes": part[1] if len(part) > 1 else ""} for part in parts]


def _when(at: datetime, zone_name: str, now: datetime) -> str:
    """A local time; with its date where that is not today's."""
    time = formatting.clock_time(at, zone_name)
    day = formatting.date(at, zone_name)
    return time if day == formatting.date(now, zone_name) else f"{day} {time}"
