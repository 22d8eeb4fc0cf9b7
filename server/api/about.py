"""What the API says of itself: its entrance, the types of its problems, and that nothing is there."""

from __future__ import annotations

from typing import NoReturn

from django.http import Http404
from django.urls import reverse
from rest_framework.permissions import AllowAny
from rest_framework.request import Request
from rest_framework.response import Response

from server.api.doors import Door
from server.api.problem_kinds import KINDS


class Explanation(Door):
    """What a type of problem means; the address is the type."""

    authentication_classes = ()
    permission_classes = (AllowAny,)
    schema = None

    def get(self, request: Request, slug: str) -> Response:
        """Its title, its status and what a client should make of it."""
        kind = KINDS.get(slug)
        if kind is None:
            raise Http404(f"There is no type of problem {slug!r}.")
        return Response({"type": kind.type, "title": kind.title, "status": int(kind.status), "meaning": kind.meaning})


class Nothing(Door):
    """Every address of the API that is no other's."""

    authentication_classes = ()
    permission_classes = (AllowAny,)
    schema = None

    def initial(self, request: Request, *args: object, **kwargs: object) -> NoReturn:
        """Say so, whatever the method."""
        raise Http404(f"Nothing is at {request.path}; see {reverse('api-schema')} for what is.")
