"""What the API says of itself: its description, the types of its problems, and that nothing is there."""

from __future__ import annotations

import hashlib
from typing import NoReturn

from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import render
from django.template.loader import render_to_string
from django.urls import reverse
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.renderers import OpenApiJsonRenderer2
from rest_framework.authentication import SessionAuthentication
from rest_framework.permissions import AllowAny
from rest_framework.request import Request
from rest_framework.response import Response

from server.api.base_views import ApiView
from server.api.conditional import answered
from server.api.problem_kinds import PROBLEM_KINDS
from server.api.reference import reference
from server.heavy import ROOM, AnswerCache, Turns

# Only another program has another, and the library that makes it is not made for two threads at once.
DESCRIBED = AnswerCache(Turns(at_once=1, room=ROOM))


def description() -> bytes:
    """The OpenAPI document, which a process makes once.

    Raises:
        Busy: it has to be made, and too much is being made.
    """
    return DESCRIBED.get(
        "it", lambda: OpenApiJsonRenderer2().render(SchemaGenerator().get_schema(request=None, public=True))
    )


class Description(ApiView):
    """The API's description."""

    authentication_classes = ()
    permission_classes = (AllowAny,)
    schema = None

    def get(self, request: Request) -> HttpResponseBase:
        """OpenAPI 3.1 as JSON; 304 where ``If-None-Match`` names the same."""
        body = description()
        etag = f'"{hashlib.sha256(body).hexdigest()}"'
        headers = {"ETag": etag, "Cache-Control": "public, no-cache"}
        response = HttpResponse(body, content_type=OpenApiJsonRenderer2.media_type, headers=headers)
        return answered(request._request, etag, response)


class Readable(ApiView):
    """The API's description for people: a page, of whoever is signed in there."""

    authentication_classes = (SessionAuthentication,)
    permission_classes = (AllowAny,)
    schema = None

    def get(self, request: Request) -> HttpResponse:
        """All calls and forms in words; they are put into words once."""
        document = description()

        def in_words() -> bytes:
            return render_to_string("console/_reference.html", {"reference": reference(document)}).encode()

        shown = DESCRIBED.get("in words", in_words)
        return render(request._request, "console/reference.html", {"shown": shown.decode()})


class Explanation(ApiView):
    """What a type of problem means; the address is the type."""

    authentication_classes = ()
    permission_classes = (AllowAny,)
    schema = None

    def get(self, request: Request, slug: str) -> Response:
        """Its title, its status and what a client should make of it."""
        kind = PROBLEM_KINDS.get(slug)
        if kind is None:
            raise Http404(f"There is no type of problem {slug!r}.")
        return Response({"type": kind.type, "title": kind.title, "status": int(kind.status), "meaning": kind.meaning})


class Nothing(ApiView):
    """Every address of the API that is no other's."""

    authentication_classes = ()
    permission_classes = (AllowAny,)
    schema = None

    def initial(self, request: Request, *args: object, **kwargs: object) -> NoReturn:
        """Say so, whatever the method."""
        raise Http404(f"Nothing is at {request.path}; see {reverse('api-schema')} for what is.")
