"""A request to the API from within this process, by a page or a command: the very same view answers, so that what may
be done, what is refused and what is written is decided in one place. What it refuses is raised as it is."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from io import BytesIO
from typing import Any, BinaryIO, NoReturn
from urllib.parse import urlencode

from django.conf import settings
from django.core.handlers.wsgi import WSGIRequest
from django.http import HttpResponse
from django.urls import resolve
from rest_framework.authentication import BaseAuthentication
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.settings import APISettings

from server.accounts.principals import KeyHolder

JSON_TYPE = "application/json"


@dataclass(frozen=True)
class Caller:
    """Who asks.

    Attributes:
        holder: by whose role it is decided, and how the log names them.
        request: number of the request that they made.
    """

    holder: KeyHolder
    request: str


@dataclass(frozen=True)
class Answer:
    """What the API answered.

    Attributes:
        body: JSON.
        tag: of what was fetched or changed; None where it has none.
    """

    body: Any
    tag: str | None


@dataclass(frozen=True)
class Content:
    """A body that is no JSON.

    Attributes:
        file: it, from its beginning.
        octets: how long it is.
        media_type: what it is.
    """

    file: BinaryIO
    octets: int
    media_type: str


class _Known(BaseAuthentication):
    """Whoever asks was known before."""

    def __init__(self, holder: KeyHolder) -> None:
        self.holder = holder

    def authenticate(self, request: Request) -> tuple[KeyHolder, None]:
        """Always the same."""
        return self.holder, None


def _raise(error: Exception, context: dict[str, Any]) -> NoReturn:
    raise error


_SETTINGS: Any = {**settings.REST_FRAMEWORK, "EXCEPTION_HANDLER": _raise}
HERE = APISettings(_SETTINGS)


def ask(caller: Caller, method: str, address: str, body: Any = None, *, tag: str | None = None, **query: str) -> Answer:
    """Ask the API for JSON.

    Args:
        caller: who asks.
        method: of HTTP.
        address: below ``/api/v1/``.
        body: JSON, or a `Content`; None for none.
        tag: of what was seen, where that is to be changed.
        query: what else is asked for.

    Raises:
        Resolver404: nothing has this address.
        Exception: whatever the view refuses it with, as it would be described in an answer.
    """
    response = fetch(caller, method, address, query, body, tag=tag)
    return Answer(json.loads(response.content), response.headers.get("ETag"))


def fetch(
    caller: Caller,
    method: str,
    address: str,
    query: Mapping[str, str],
    body: Any = None,
    *,
    tag: str | None = None,
) -> HttpResponse:
    """The same, answered as it came, such as a picture; a query may be one that somebody else made."""
    found = resolve(f"/api/v1/{address}", "server.urls")
    view: Any = found.func
    authentication = [partial(_Known, caller.holder)]
    answers = view.cls.as_view(**view.initkwargs, authentication_classes=authentication, settings=HERE)
    response: HttpResponse = answers(_request(caller, method, address, body, tag, query), **found.kwargs)
    return response.render() if isinstance(response, Response) else response


def _request(
    caller: Caller, method: str, address: str, body: Any, tag: str | None, query: Mapping[str, str]
) -> WSGIRequest:
    if not isinstance(body, Content):
        text = b"" if body is None else json.dumps(body).encode()
        body = Content(BytesIO(text), len(text), JSON_TYPE)
    host = settings.ALLOWED_HOSTS[0].lstrip(".") if settings.ALLOWED_HOSTS else "localhost"
    request = WSGIRequest(
        {
            "REQUEST_METHOD": method,
            "PATH_INFO": f"/api/v1/{address}",
            "QUERY_STRING": urlencode(query),
            "SERVER_NAME": "localhost" if host == "*" else host,
            "SERVER_PORT": "80",
            "SERVER_PROTOCOL": "HTTP/1.1",
            "CONTENT_TYPE": body.media_type,
            "CONTENT_LENGTH": str(body.octets),
            "wsgi.input": body.file,
            "wsgi.url_scheme": "http",
            **({} if tag is None else {"HTTP_IF_MATCH": tag}),
        }
    )
    request.dayroll_request_id = caller.request  # type: ignore[attr-defined]  # as its middleware does
    return request
