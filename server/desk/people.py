"""The people who may sign in, for the studio alone: who they are, what they may do, giving an account, closing it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.contrib.auth.models import User
from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_safe

from machines.errors import InputError
from scheduling.log.store import Attribution
from server import wiring
from server.accounts import access
from server.accounts.models import PersonRole
from server.accounts.principals import STUDIO, Grant
from server.console.author import for_givers_of
from server.desk.access_forms import GrantForm, OwnPasswordForm, PersonForm, in_words, venue_names
from server.desk.order_form import OrderForm
from server.request_id import request_id

CLOSING = (
    "They sign in no more, and are signed out wherever they are signed in.",
    "What they did stays in the record under the number of the account.",
    "Keys that they hold work on: revoke those, too.",
)
REOPENING = ("They sign in again as before, with the password and the role that they had.",)


def by_whom(request: HttpRequest) -> Attribution:
    """The person who is signed in, now."""
    return Attribution(actor=f"user:{request.user.pk}", request=request_id(request), said_at=wiring.now())


def signed_in(request: HttpRequest) -> User:
    """The account of whoever asks for a page that only those see who are signed in."""
    assert isinstance(request.user, User), "the page asks for it"
    return request.user


def said(request: HttpRequest) -> QueryDict | None:
    """What a form was sent with; None where it was only asked for."""
    return request.POST if request.method == "POST" else None


def standings() -> list[dict[str, Any]]:
    """Every account with what it may do, those that are closed last."""
    roles = {row.person_id: row.standing for row in PersonRole.objects.all()}
    names = venue_names()
    people = sorted(User.objects.all(), key=lambda one: (not one.is_active, one.get_username().casefold()))
    return [{"person": one, "may": in_words(_standing(one, roles), names)} for one in people]


def _standing(person: User, roles: dict[int, Grant]) -> Grant:
    return STUDIO if person.is_superuser else roles.get(person.pk, Grant("reader"))


@for_givers_of(access.add_person)
@never_cache
@require_safe
def listed(request: HttpRequest) -> HttpResponse:
    """Who may sign in."""
    return render(request, "desk/people.html", {"people": standings(), "section": "people"})


@sensitive_post_parameters("password", "again", "own")
@for_givers_of(access.add_person)
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def new(request: HttpRequest) -> HttpResponse:
    """A new account."""
    form = PersonForm(said(request), by=signed_in(request))
    if form.is_valid():
        name, password = form.cleaned_data["name"], form.cleaned_data["password"]
        try:
            access.add_person(name, password, form.standing(), by_whom(request))
        except InputError as error:
            form.refuse(error)
        else:
            messages.success(request, f"{name} may sign in. Ask them to take another password at once.")
            return redirect("people")
    return _page(request, form, "Give an account", "Give the account")


@sensitive_post_parameters("own")
@for_givers_of(access.give_role)
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def role(request: HttpRequest, number: int) -> HttpResponse:
    """Another role, or other venues; it counts from their next page on."""
    person = _other(request, number)
    if person.is_superuser:
        raise Http404
    row = PersonRole.objects.filter(person=person).first()
    stands = {"role": "reader"} if row is None else {"role": row.role, "venues": row.venues or []}
    form = GrantForm(said(request), by=signed_in(request), initial=stands)
    if form.is_valid():
        try:
            access.give_role(person.username, form.standing(), by_whom(request))
        except InputError as error:
            form.refuse(error)
        else:
            messages.success(request, f"What {person.username} may do is as you said, from their next page on.")
            return redirect("people")
    return _page(request, form, f"What {person.username} may do", "Keep it so")


@for_givers_of(access.close)
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def close(request: HttpRequest, number: int) -> HttpResponse:
    """What closing an account means; then it is closed."""
    person = _other(request, number, is_active=True)
    form = OrderForm(said(request))
    return _letting_in(request, form, person, access.close, f"Close {person.username}", CLOSING, "signs in no more")


@sensitive_post_parameters("own")
@for_givers_of(access.reopen)
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def reopen(request: HttpRequest, number: int) -> HttpResponse:
    """What opening it again means; then it is open."""
    person = _other(request, number, is_active=False)
    form = OwnPasswordForm(said(request), by=signed_in(request))
    title, done = f"Reopen {person.username}", "may sign in again"
    return _letting_in(request, form, person, access.reopen, title, REOPENING, done)


def _letting_in(
    request: HttpRequest,
    form: OrderForm,
    person: User,
    order: Callable[[str, Attribution], None],
    title: str,
    means: tuple[str, ...],
    done: str,
) -> HttpResponse:
    if form.is_valid():
        order(person.username, by_whom(request))
        messages.success(request, f"{person.username} {done}.")
        return redirect("people")
    return _page(request, form, title, title.split()[0], means)


def _other(request: HttpRequest, number: int, **stands: bool) -> User:
    """Whose account it is, where it stands so: nobody shuts themselves out, or takes their own role away, by a slip."""
    person = get_object_or_404(User, pk=number, **stands)
    if person.pk == request.user.pk:
        raise Http404
    return person


def _page(request: HttpRequest, form: OrderForm, title: str, verb: str, means: tuple[str, ...] = ()) -> HttpResponse:
    page = {"form": form, "title": title, "verb": verb, "means": means, "back": "/people", "of": "People"}
    return render(request, "desk/access.html", page | {"section": "people", "previews": False})
