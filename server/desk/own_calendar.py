"""A person's own calendar: where it is, what stands in it, when it reminds, and another address; beside it those of
venues, and the studio's for the studio. In the reader's language."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.contrib.auth.models import User
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from scheduling.commands.changes import NotAccepted
from scheduling.log.models import Venue
from server.accounts.calendar_addresses import renew_person_address, renew_studio_address, renew_venue_address
from server.accounts.open_pages import calendar_addresses
from server.accounts.people import standing_of
from server.accounts.person_calendars import CalendarWishes, venues_of
from server.accounts.roles import may_give, require_venue, roles_for
from server.api.in_process import ask
from server.console.author import for_givers_of
from server.console.language import spoken
from server.desk.calendar_form import WishesForm
from server.desk.callers import caller_of
from server.desk.ordering import Order, send
from server.desk.people import signed_in


@login_required
@never_cache
@spoken
@require_http_methods(["GET", "HEAD", "POST"])
def own(request: HttpRequest) -> HttpResponse:
    """What it shows and when it reminds: seen before it is kept."""
    person, address = signed_in(request), f"people/{request.user.pk}/calendar"
    found = ask(caller_of(request), "GET", address)
    theirs = venues_of(person, CalendarWishes())
    form = WishesForm(request.POST or None, wishes=found.body, venues={one.id: one.name for one in theirs})
    tag, looked = request.POST.get("tag") or found.tag or "", None
    if request.method == "POST" and form.is_valid():
        done, back = _("It is kept so."), reverse("own-calendar")
        order = Order(method="PUT", address=address, done=lambda _row: done, then=lambda _row: back)
        sent = send(request, form, order, tag)
        if sent.answer is not None:
            return sent.answer
        looked, tag = sent.looked, sent.tag
    page = {"form": form, "looked": looked, "tag": tag, "venues": theirs, "section": "calendar"}
    return render(request, "desk/own_calendar.html", page | _addresses(request, theirs))


def _addresses(request: HttpRequest, theirs: list[Venue]) -> dict[str, Any]:
    """Whole ones, as programs take them."""
    caller, standing = caller_of(request), standing_of(request.user)
    own_known = ask(caller, "GET", f"people/{request.user.pk}/calendar/address").body
    found: dict[str, Any] = {"own": _whole(request, own_known["address"])}
    if standing.role in roles_for(renew_studio_address):
        studio = ask(caller, "GET", "studio/calendar/address").body
        found |= {"is_studio": True, "studio": _whole(request, studio["address"])}
    known = calendar_addresses([venue.id for venue in theirs])
    rows = [
        {
            "name": venue.name,
            "id": venue.id,
            "address": _whole(request, known[venue.id]),
            "may": not settings.OPEN_PAGES and may_give(standing, renew_venue_address, venue.id),
        }
        for venue in theirs
    ]
    return found | {"of_venues": rows}


def _whole(request: HttpRequest, address: str | None) -> str | None:
    return None if address is None else request.build_absolute_uri(address)


@login_required
@never_cache
@spoken
@require_http_methods(["GET", "HEAD", "POST"])
def own_address(request: HttpRequest) -> HttpResponse:
    """Another address of their own."""
    return _renewing(request, f"people/{request.user.pk}/calendar/address", _("The address of your calendar"))


@for_givers_of(renew_studio_address)
@never_cache
@spoken
@require_http_methods(["GET", "HEAD", "POST"])
def studio_address(request: HttpRequest) -> HttpResponse:
    """Another address of the calendar of all venues."""
    return _renewing(request, "studio/calendar/address", _("The address of the calendar of all venues"))


@for_givers_of(renew_venue_address)
@never_cache
@spoken
@require_http_methods(["GET", "HEAD", "POST"])
def venue_address(request: HttpRequest, id: str) -> HttpResponse:
    """Another address of a venue's."""
    venue = get_object_or_404(Venue, id=id)
    require_venue(standing_of(request.user), venue.id)
    title = _("The address of the calendar of {venue}").format(venue=venue.name)
    return _renewing(request, f"venues/{venue.id}/calendar/address", title)


@for_givers_of(renew_person_address)
@never_cache
@spoken
@require_http_methods(["GET", "HEAD", "POST"])
def person_address(request: HttpRequest, number: int) -> HttpResponse:
    """Another address of somebody else's, as where they lost a device; they alone are shown it."""
    person = get_object_or_404(User, pk=number)
    title = _("The address of the calendar of {person}").format(person=person.get_username())
    done = _("The calendar of {person} has a new address. They alone are shown it, on their page of calendars.")
    return _renewing(
        request, f"people/{number}/calendar/address", title, "people", done.format(person=person.get_username())
    )


def _renewing(
    request: HttpRequest, address: str, title: str, back: str = "own-calendar", done: str = ""
) -> HttpResponse:
    """What follows; then it is so. What is told by then that was not seen is shown first.

    Args:
        request: of the page.
        address: of the calendar's address, below that of the API.
        title: of the page.
        back: where it leads to once that is done.
        done: what is said then; else it is to be given to programs.
    """
    caller = caller_of(request)
    is_first = ask(caller, "GET", address).body["address"] is None
    if request.method == "POST":
        try:
            ask(caller, "POST", address, {}, accept=request.POST.get("accept") or "false")
        except NotAccepted:
            pass
        else:
            first = _("The calendar has an address now. Give it to each program that is to show it.")
            another = _("The calendar has another address. Give it to each program that is to show it.")
            messages.success(request, done or (first if is_first else another))
            return redirect(back)
    looked = ask(caller, "POST", address, {}, preview="true").body
    page = {
        "title": title,
        "looked": looked,
        "accept": ",".join(one["kind"] for one in looked["warnings"]),
        "is_first": is_first,
        "back": reverse(back),
        "section": "calendar",
    }
    return render(request, "desk/calendar_address.html", page)
