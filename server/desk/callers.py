"""Who is signed in on a page, as the API knows those who ask it."""

from __future__ import annotations

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
