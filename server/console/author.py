"""Who says something on a page, and whether they may."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Concatenate, ParamSpec

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse

from scheduling.log.store import Attribution
from server import wiring
from server.accounts.people import standing_of
from server.accounts.roles import Command, require_role, require_venue
from server.request_id import request_id

Rest = ParamSpec("Rest")
PageView = Callable[Concatenate[HttpRequest, Rest], HttpResponse]


def for_givers_of(command: Command) -> Callable[[PageView[Rest]], PageView[Rest]]:
    """A page on which a command is given: only for who is signed in and may give it, for some venue at least."""

    def only_for_them(view: PageView[Rest]) -> PageView[Rest]:
        @login_required
        @wraps(view)
        def asked(request: HttpRequest, /, *args: Rest.args, **kwargs: Rest.kwargs) -> HttpResponse:
            require_role(standing_of(request.user), command)
            return view(request, *args, **kwargs)

        return asked

    return only_for_them


def author(request: HttpRequest, command: Command, venue: str) -> Attribution:
    """The person who is signed in, now, and may give a command for a venue.

    Raises:
        Refused: their role may not, or is for other venues.
    """
    standing = standing_of(request.user)
    require_role(standing, command)
    require_venue(standing, venue)
    return Attribution(actor=f"user:{request.user.pk}", request=request_id(request), said_at=wiring.now())
