"""Pictures of the API, handed on to whoever is signed in: as the API draws them, and not sent again where they are the
same."""

from __future__ import annotations

import hashlib

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.utils.cache import get_conditional_response
from django.views.decorators.http import require_safe

from machines.errors import InputError
from server.api.in_process import fetch
from server.desk.callers import caller_of


@login_required
@require_safe
def handed_on(request: HttpRequest, address: str, id: str) -> HttpResponseBase:
    """A picture of the API.

    Args:
        request: with the queries that the API is to be given.
        address: of the picture there, with ``{}`` for the id.
        id: of what it shows.
    """
    try:
        answer = fetch(caller_of(request), "GET", address.format(id), request.GET.dict())
    except InputError as error:
        return HttpResponse(f"{error}.", status=422, content_type="text/plain; charset=utf-8")
    return sent(request, answer.content, answer.headers["Cache-Control"])


def sent(request: HttpRequest, png: bytes, cache_control: str = "private, no-cache") -> HttpResponseBase:
    """A PNG; nothing of it where the asker has it already."""
    etag = f'"{hashlib.sha256(png).hexdigest()}"'
    headers = {"ETag": etag, "Cache-Control": cache_control}
    response = HttpResponse(png, content_type="image/png", headers=headers)
    return get_conditional_response(request, etag=etag, response=response) or response
