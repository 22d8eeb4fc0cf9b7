"""Service windows of a venue on the pages: which there are, fixing one, and calling one off or one date of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from machines.errors import InputError
from machines.serialization import structure
from scheduling.commands.additions import FixServiceWindow
from scheduling.commands.handlers import IdInUse, handle
from scheduling.commands.service_windows import call_off, call_off_window, fix_service_window
from scheduling.log.models import ServiceWindow as Row
from scheduling.log.models import Venue
from scheduling.log.store import Attribution, VersionConflict
from scheduling.planning.service_windows import ServiceWindow, Weekly, require_comes_on
from scheduling.queries.closed_away import still_there
from scheduling.venues.service_windows import as_planned
from server import wiring
from server.console import formatting
from server.console.author import author, for_givers_of
from server.console.forms import CallOffForm, ServiceWindowForm
from server.console.service_window_times import Outlook, outlook


@require_safe
@never_cache
def listed(request: HttpRequest, venue: str) -> HttpResponse:
    """The windows of a venue, to be read by everybody."""
    row, now = get_object_or_404(Venue, pk=venue, retired_at=None), wiring.now()
    said = f"{formatting.moment(now, row.zone)}, {row.zone}, {formatting.offset(now, row.zone)}"
    page = {"venue": row, "now": said, "windows": outlook(row, now).listed(reasons=request.user.is_authenticated)}
    return render(request, "console/service_windows.html", page)


@for_givers_of(FixServiceWindow)
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def new(request: HttpRequest, venue: str) -> HttpResponse:
    """The form; once it can be read, when the window comes; once that is confirmed, the window."""
    row = get_object_or_404(Venue, pk=venue, retired_at=None)
    by = author(request, FixServiceWindow, row.id)
    form = ServiceWindowForm(request.POST or None)
    page: dict[str, Any] = {"form": form, "venue": row}
    if request.method == "POST" and form.is_valid():
        try:
            command = structure(form.said(row), FixServiceWindow)
            if "fix" in request.POST:
                return _fix(request, command, by)
            page |= _preview(command, outlook(row, wiring.now()))
        except (InputError, IdInUse) as error:
            page["readings"] = form.refuse(error)
    return render(request, "console/service_window.html", page)


@for_givers_of(call_off_window)
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def off(request: HttpRequest, window: str) -> HttpResponse:
    """All of a window, or one date; once it is said which, what that means; then it is called off."""
    row = get_object_or_404(Row, pk=window)
    by = author(request, call_off_window, row.venue_id)
    venue, planned = still_there(Venue, "venue", row.venue_id), as_planned(row)
    form, there = CallOffForm(request.POST or None), outlook(venue, wiring.now())
    page: dict[str, Any] = {"form": form, "venue": venue, "window": row, "how": formatting.comes(planned.comes)}
    page |= {"weekly": isinstance(planned.comes, Weekly), "times": there.times(planned)}
    if request.method == "POST" and row.called_off_at is None and form.is_valid():
        try:
            page |= _without(planned, form, there)
            if "off" in request.POST:
                return _call_off(request, row, form, by)
        except InputError as error:
            form.refuse(error)
        except VersionConflict:
            form.add_error(None, "Somebody else changed this window at the same time; look at it, then call it off.")
    return render(request, "console/call_off.html", page)


def _fix(request: HttpRequest, command: FixServiceWindow, by: Attribution) -> HttpResponse:
    handle(command, by)
    messages.success(request, f"{command.name} is fixed.")
    return redirect("windows", command.venue)


def _preview(command: FixServiceWindow, there: Outlook) -> dict[str, Any]:
    """When it would come; nothing is written."""
    begins_at = fix_service_window(command).begins_at
    planned = ServiceWindow(id=command.id, name=command.name, comes=command.comes, begins_at=begins_at)
    return {"named": formatting.comes(command.comes), "times": there.times(planned)}


def _call_off(request: HttpRequest, row: Row, form: CallOffForm, by: Attribution) -> HttpResponse:
    day, reason = form.said()
    call_off(row.id, reason, by, wiring.chance(), day)
    on = "" if day is None else f" on {formatting.day(date.fromisoformat(day))}"
    messages.success(request, f"{row.name} is called off{on}.")
    return redirect("windows", row.venue_id)


def _without(planned: ServiceWindow, form: CallOffForm, there: Outlook) -> dict[str, Any]:
    """What is lost, and what is left; nothing is written."""
    day, _ = form.said()
    if day is None:
        return {"said": "It comes no more, from now on and for good.", "lost": there.times(planned), "left": ()}
    require_comes_on(planned.comes, day)
    if day in planned.dates_off:
        raise InputError("date", "called off already", "give another date")
    left = replace(planned, dates_off=(*planned.dates_off, day))
    return {
        "said": f"It does not come on {formatting.day(date.fromisoformat(day))}.",
        "lost": there.times_on(planned, date.fromisoformat(day)),
        "left": there.times(left),
    }
