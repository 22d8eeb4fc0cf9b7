"""Fixing an opening: say when, see when that is by every venue's clock, then fix it."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from machines.errors import InputError
from scheduling.commands.additions import FixOpening
from scheduling.commands.handlers import IdInUse, handle
from scheduling.commands.openings import fix_opening, found_at, speaks_against, to_know
from scheduling.log.models import Venue
from scheduling.log.store import Attribution
from scheduling.queries.names import require
from server import wiring
from server.accounts.people import standing_of
from server.console import formatting
from server.console.author import author, for_givers_of
from server.console.forms import OpeningForm
from server.console.overview import everywhere


@for_givers_of(FixOpening)
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def new(request: HttpRequest) -> HttpResponse:
    """The form; once it can be read, what it means; once that is confirmed, the opening."""
    form = OpeningForm(request.POST or None)
    theirs = standing_of(request.user).venues
    offered = [venue for venue in form.venues.values() if theirs is None or venue.id in theirs]
    shown: dict[str, Any] = {"form": form, "offered": offered}
    if request.method == "POST" and form.is_valid():
        try:
            command = FixOpening(**asdict(form.said()))
            by = author(request, FixOpening, command.venue)
            if "fix" in request.POST:
                return _fix(request, command, by)
            shown |= _preview(form, command)
        except (InputError, IdInUse) as error:
            shown["readings"] = form.refuse(error)
    return render(request, "console/opening.html", shown)


def _fix(request: HttpRequest, command: FixOpening, by: Attribution) -> HttpResponse:
    handle(command, by)
    messages.success(request, f"{command.name} is fixed.")
    return redirect("console")


def _preview(form: OpeningForm, command: FixOpening) -> dict[str, Any]:
    """When it is, everywhere; nothing is written."""
    event = fix_opening(command)
    opens_at, venue, now = event.opens_at, require(Venue, "venue", command.venue), wiring.now()
    venues, found = list(form.venues.values()), found_at(event, venue, now)
    return {
        "times": everywhere(opens_at, command.venue, venues),
        "named": formatting.anchor(command.anchor),
        "to_know": tuple(to_know(found)),
        "warnings": tuple(speaks_against(event, venue, now, found)),
        "utc": f"{opens_at:%Y-%m-%d %H:%M:%S} UTC",
    }
