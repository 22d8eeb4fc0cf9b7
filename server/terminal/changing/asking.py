"""A request to the API as whoever stands at the server makes it: the very same view answers, in this process, and what
it refuses is raised."""

from __future__ import annotations

import json
from dataclasses import dataclass
from io import BytesIO
from typing import Any, NoReturn
from urllib.parse import urlencode

from django.conf import settings
from django.core.handlers.wsgi import WSGIRequest
from django.http import Http404
from django.urls import Resolver404, resolve
from rest_framework.authentication import BaseAuthentication
from rest_framework.exceptions import APIException
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.settings import APISettings

from machines.errors import DayrollError
from scheduling.log.store import VersionConflict
from server import wiring
from server.accounts.principals import STUDIO, KeyHolder
from server.api.problems import MovedOn

AGAIN = "look at it again, then say it once more"


class AtTerminal(BaseAuthentication):
    """Whoever may run commands here may do all that the studio may, and is named as by the other commands."""

    def authenticate(self, request: Request) -> tuple[KeyHolder, None]:
        """Always the same."""
        return KeyHolder(key="terminal", name="the server's terminal", standing=STUDIO), None


def _raise(error: Exception, context: dict[str, Any]) -> NoReturn:
    raise error


_SETTINGS: Any = {**settings.REST_FRAMEWORK, "EXCEPTION_HANDLER": _raise}
HERE = APISettings(_SETTINGS)


@dataclass(frozen=True)
class Answer:
    """What the API answered.

    Attributes:
        body: JSON.
        tag: of what was fetched or changed; None where it has none.
    """

    body: Any
    tag: str | None


def ask(method: str, address: str, body: Any = None, *, tag: str | None = None, **query: str) -> Answer:
    """Ask the API.

    Args:
        method: of HTTP.
        address: below ``/api/v1/``.
        body: JSON; None for none.
        tag: of what was seen, where that is to be changed.
        query: what else is asked for.

    Raises:
        DayrollError: it is refused; says what, where and what to do.
    """
    try:
        found = resolve(f"/api/v1/{address}", "server.urls")
    except Resolver404:
        raise DayrollError(f"nothing is called {address!r}", "give an id as `dayroll list` shows it") from None
    view: Any = found.func
    answers = view.cls.as_view(**view.initkwargs, authentication_classes=[AtTerminal], settings=HERE)
    request = _request(method, address, body, tag, query)
    try:
        response = answers(request, **found.kwargs)
    except Http404:
        kind, _, one = address.partition("/")
        raise DayrollError(
            f"{one.split('/')[0]!r} is not among the {kind}", f"`dayroll list {kind}` shows all"
        ) from None
    except MovedOn as error:
        raise DayrollError(f"somebody changed it meanwhile{_changes(error)}", AGAIN) from error
    except VersionConflict as error:
        raise DayrollError(f"somebody changed it meanwhile ({error.problem})", AGAIN) from error
    except APIException as error:
        raise DayrollError(str(error.detail)) from error
    content = response.render().content if isinstance(response, Response) else response.content
    return Answer(json.loads(content), response.headers.get("ETag"))


def _changes(error: MovedOn) -> str:
    steps = error.changes or []
    said = [
        f"{step['actor']} at {step['said_at']}: {', '.join(one['field'] for one in step['fields'])}" for step in steps
    ]
    return f" ({'; '.join(said)})" if said else ""


def _request(method: str, address: str, body: Any, tag: str | None, query: dict[str, str]) -> WSGIRequest:
    text = b"" if body is None else json.dumps(body).encode()
    host = settings.ALLOWED_HOSTS[0].lstrip(".") if settings.ALLOWED_HOSTS else "localhost"
    request = WSGIRequest(
        {
            "REQUEST_METHOD": method,
            "PATH_INFO": f"/api/v1/{address}",
            "QUERY_STRING": urlencode(query),
            "SERVER_NAME": "localhost" if host == "*" else host,
            "SERVER_PORT": "80",
            "SERVER_PROTOCOL": "HTTP/1.1",
            "CONTENT_TYPE": "application/json",
            "CONTENT_LENGTH": str(len(text)),
            "wsgi.input": BytesIO(text),
            "wsgi.url_scheme": "http",
            **({} if tag is None else {"HTTP_IF_MATCH": tag}),
        }
    )
    request.dayroll_request_id = wiring.chance().number()  # type: ignore[attr-defined]  # as its middleware does
    return request
