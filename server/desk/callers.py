"""Who is signed in on a page, as the API knows those who ask it, and what those are called whom the log names."""

from __future__ import annotations

from collections.abc import Iterable

from django.contrib.auth.models import User
from django.http import HttpRequest

from server.accounts.people import standing_of
from server.accounts.principals import KeyHolder
from server.api.in_process import Caller
from server.request_id import request_id


def caller_of(request: HttpRequest) -> Caller:
    """The person who is signed in; the log names them by the number of their account.

    Args:
        request: to a page that only those see who are signed in.
    """
    person = request.user
    assert isinstance(person, User), "the page asks for it"
    holder = KeyHolder(key=f"user:{person.pk}", name=person.get_username(), standing=standing_of(person))
    return Caller(holder, request_id(request))


def names_of(actors: Iterable[str]) -> dict[str, str]:
    """The names of the accounts among those who said something, all in one question."""
    numbers = {actor.partition(":")[2] for actor in actors if actor.startswith("user:")}
    rows = User.objects.filter(pk__in=[one for one in numbers if one.isdecimal()])
    return {f"user:{person.pk}": person.get_username() for person in rows}
