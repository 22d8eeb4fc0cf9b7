"""Which pages anybody may look at who reaches the server. As it is set up, all of them: a wall has no password. Where
``DAYROLL_OPEN_PAGES`` is 0, only the visitors' page of each machine, and a venue's calendar at a secret address that
those who are signed in are told; everything else is for them."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from typing import Any

from django.conf import settings
from django.contrib.auth.views import redirect_to_login
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.urls import reverse

from server.accounts.calendar_addresses import is_secret_of, of_venue, secrets_of_venues

# By the names of their addresses. What is below `/api/` asks for a key itself, or describes the API.
FOR_VISITORS = frozenset({"now", "now-fragment", "plate-picture"})
# With a secret in the address.
TO_WHOM_WAS_TOLD = frozenset({"see-to"})
TO_COME_IN = frozenset({"sign-in", "sign-out", "live", "ready"})
# Asks for a key itself, as the API does.
WITH_A_KEY = frozenset({"metrics"})


class Closing:
    """Middleware: send whoever is not signed in to the page that asks for it, where pages are closed."""

    def __init__(self, answer: Callable[[HttpRequest], HttpResponse]) -> None:
        self.answer = answer

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """The answer of the view."""
        return self.answer(request)

    def process_view(self, request: HttpRequest, view: Any, args: Any, kwargs: Any) -> HttpResponseBase | None:
        """The way to sign in; None where the page is open, or theirs."""
        if settings.OPEN_PAGES or request.path.startswith("/api/") or request.user.is_authenticated:
            return None
        found = request.resolver_match
        if found is not None and found.url_name in FOR_VISITORS | TO_WHOM_WAS_TOLD | TO_COME_IN | WITH_A_KEY:
            return None
        return redirect_to_login(request.get_full_path())


def calendar_addresses(venues: Collection[str]) -> Mapping[str, str | None]:
    """Where venues' calendars are, by id, as it is told to those who may see this page; None for nowhere."""
    found = {id: reverse("venue-calendar", args=[id]) for id in venues}
    if settings.OPEN_PAGES:
        return found
    secrets = secrets_of_venues(venues)
    return {id: secret and f"{found[id]}?secret={secret}" for id, secret in secrets.items()}


def may_read_calendar(venue: str, secret: str) -> bool:
    """Whether somebody who says this secret may read a venue's calendar."""
    return settings.OPEN_PAGES or is_secret_of(of_venue(venue), secret)
