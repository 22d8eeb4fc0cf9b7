"""Counts every request by the name of what answered it, and by the status of the answer."""

from __future__ import annotations

from collections.abc import Callable
from time import perf_counter

from django.conf import settings
from django.http import HttpRequest, HttpResponse

from server.metrics.counted import REQUEST_SECONDS, REQUESTS

# What no view has answered: a file of the pages, or an address where nothing is.
FILES, NOTHING = "static", "none"


def measured(answer: Callable[[HttpRequest], HttpResponse]) -> Callable[[HttpRequest], HttpResponse]:
    """Middleware: how long all within it took."""

    def answer_and_measure(request: HttpRequest) -> HttpResponse:
        began_s = perf_counter()
        response = answer(request)
        view = name_of_view(request)
        REQUEST_SECONDS.labels(view).observe(perf_counter() - began_s)
        REQUESTS.labels(view, str(response.status_code)).inc()
        return response

    return answer_and_measure


def name_of_view(request: HttpRequest) -> str:
    """What answered: one of the names in the tables of addresses, or that no view did. There are as many as addresses
    with a name, whatever is asked for."""
    if request.resolver_match is not None:
        return request.resolver_match.url_name or NOTHING
    return FILES if request.path.startswith(settings.STATIC_URL) else NOTHING
