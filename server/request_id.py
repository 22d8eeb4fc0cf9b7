"""Gives every request a number of its own, which stands in the answer, in the log and in what the request caused."""

from __future__ import annotations

from collections.abc import Callable
from contextvars import ContextVar

from django.http import HttpRequest, HttpResponse

from server import wiring

HEADER = "X-Request-Id"
# Of the request that this thread is answering; None outside of one. For the log alone.
NOW: ContextVar[str | None] = ContextVar("request", default=None)


def request_id(request: HttpRequest) -> str:
    """The number of a request, a UUID."""
    return str(request.dayroll_request_id)  # type: ignore[attr-defined]  # what `numbered` hands on with it


def numbered(answer: Callable[[HttpRequest], HttpResponse]) -> Callable[[HttpRequest], HttpResponse]:
    """Middleware: number the request before anything else sees it, and its answer."""

    def number_and_answer(request: HttpRequest) -> HttpResponse:
        request.dayroll_request_id = wiring.chance().number()  # type: ignore[attr-defined]  # its one place on the way
        before = NOW.set(request_id(request))
        try:
            response = answer(request)
        finally:
            NOW.reset(before)
        response[HEADER] = request_id(request)
        return response

    return number_and_answer
