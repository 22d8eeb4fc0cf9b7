"""Keys to the API, for the studio alone: who holds which, making one, revoking one."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_safe

from machines.errors import InputError
from server import wiring
from server.accounts import access
from server.accounts.models import Key
from server.console.author import for_givers_of
from server.desk.access_forms import KeyForm, in_words, venue_names
from server.desk.callers import names_of
from server.desk.order_form import OrderForm
from server.desk.people import by_whom, said, signed_in
from server.value_words import instant_in_words

MEANS = (
    "It opens nothing any more, from the next request on. This cannot be taken back; another can be made.",
    "What was done with it stays in the record under its visible part.",
)


def _shown(row: Key, venues: dict[str, str], names: dict[str, str]) -> dict[str, Any]:
    now = wiring.now()
    ended = row.ends_at is not None and row.ends_at <= now
    if row.revoked_at is not None:
        state = f"revoked {instant_in_words(row.revoked_at, None)}"
    elif row.ends_at is not None:
        state = f"{'ended' if ended else 'good until'} {instant_in_words(row.ends_at, None)}"
    else:
        state = "good without an end"
    used = "never used" if row.last_used_at is None else f"last used {instant_in_words(row.last_used_at, None)}"
    return {
        "row": row,
        "may": in_words(row.standing, venues),
        "state": state,
        "used": used,
        "made": instant_in_words(row.made_at, None),
        "by": names.get(row.made_by or "", row.made_by or "nobody knows whom"),
        "works": row.revoked_at is None and not ended,
    }


@for_givers_of(access.take_key)
@never_cache
@require_safe
def listed(request: HttpRequest) -> HttpResponse:
    """Who holds which, those that open nothing any more last."""
    rows = list(Key.objects.order_by("name", "made_at"))
    venues, names = venue_names(), names_of(row.made_by or "" for row in rows)
    shown = sorted((_shown(row, venues, names) for row in rows), key=lambda one: not one["works"])
    return render(request, "desk/keys.html", {"keys": shown, "section": "people"})


@sensitive_post_parameters("own")
@for_givers_of(access.give_key)
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def new(request: HttpRequest) -> HttpResponse:
    """A new key, shown this once."""
    form = KeyForm(said(request), by=signed_in(request))
    if form.is_valid():
        by, days = by_whom(request), form.cleaned_data["days"]
        ends_at = None if days is None else by.said_at + timedelta(days=days)
        name = form.cleaned_data["name"]
        try:
            key = access.give_key(name, form.standing(), by, ends_at)
        except InputError as error:
            form.refuse(error)
        else:
            return render(request, "desk/key.html", {"name": name, "key": key, "section": "people"})
    page = {"form": form, "title": "Make a key", "verb": "Make the key", "previews": False, "back": "/keys"}
    return render(request, "desk/access.html", page | {"of": "Keys", "section": "people"})


@for_givers_of(access.take_key)
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def revoke(request: HttpRequest, prefix: str) -> HttpResponse:
    """What revoking a key means; then it opens nothing any more."""
    row = get_object_or_404(Key, prefix=prefix, revoked_at=None)
    form = OrderForm(said(request))
    if form.is_valid():
        try:
            access.take_key(prefix, by_whom(request))
        except InputError as error:  # somebody else did, just now
            form.refuse(error)
        else:
            messages.success(request, f"The key of {row.name} opens nothing any more.")
            return redirect("keys-page")
    page = {"form": form, "title": f"Revoke the key of {row.name}", "verb": "Revoke it", "means": MEANS}
    return render(request, "desk/access.html", page | {"of": "Keys", "back": "/keys", "previews": False})
