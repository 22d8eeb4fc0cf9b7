"""Errors that no view could answer: an unknown address or host, a form from elsewhere, a mistake of ours.

Below ``/api/`` they are problem details like all others there, elsewhere a page.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Any

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.utils.cache import patch_vary_headers
from django.utils.translation import get_language_from_request, override
from django.utils.translation import gettext as _

from machines.operator.language import marked
from scheduling.log.projecting.projector import ViewsSetAside
from scheduling.queries.closed_away import ClosedAway
from scheduling.rendering.kept_files import StoreAway
from server.accounts.attempt_limit import TooManyTries
from server.accounts.roles import NotOfTheirRole
from server.api.problem_kinds import OUR_MISTAKE
from server.api.problems import MEDIA_TYPE, body_of, of_kind, plain
from server.heavy import Busy
from server.request_id import request_id

logger = logging.getLogger(__name__)

PAGE_WORDS = {
    400: (
        marked("This cannot be read"),
        marked("The browser sent something that this server does not understand. Go back, or begin at a page above."),
    ),
    403: (
        marked("Not allowed"),
        marked("The form was not from this server, or was too old. Go back, load the page again, then send it."),
    ),
    404: (
        marked("Nothing is here"),
        marked("The address may be misspelt, or what it named was never there. Look for it on a page above."),
    ),
    410: (
        marked("This was put into an archive"),
        marked("What this page shows was closed into an archive; all that was said of it is in that file."),
    ),
    429: (
        marked("Wait a moment"),
        marked(
            "Names and passwords were wrong too often. They are looked at again in {minutes} min. Then sign in again."
        ),
    ),
    503: (
        marked("This cannot be done now"),
        marked(
            "A mistake of this program keeps it from showing all that it was told. Nothing was written. Machines print"
            " on, and what they report is kept; please tell the studio."
        ),
    ),
    500: (
        marked("The server made a mistake"),
        marked("It is written down. Load the page again; if it stays so, pass on the number below to the studio."),
    ),
}


NOT_THEIRS = marked("Your role does not include this, or not at this venue. Ask the studio.")
BUSY_SAID = marked("As much is being drawn and counted as may be at a time. Load the page again in a moment.")

STORE_AWAY_SAID = marked(
    "Where pictures and plates are kept cannot be reached at the moment. Nothing is lost; load the page again in a"
    " minute. Machines print on with what they hold."
)


def _answer(request: HttpRequest, status: int, said: str | None = None, **told: object) -> HttpResponse:
    """What is said, or the status' own words with what is told: on a page in the reader's language."""
    number, (title, text) = request_id(request), PAGE_WORDS[status]
    text = text if said is None else said
    if request.path.startswith("/api/"):
        problem = of_kind(OUR_MISTAKE, text) if status == 500 else plain(status, text)
        return JsonResponse(body_of(problem, number), status=status, content_type=MEDIA_TYPE)
    language = get_language_from_request(request)
    with override(language):
        if language != "en" and _(text) == text:  # what is told of this one thing is told in English alone
            text = NOT_THEIRS if status == 403 else PAGE_WORDS[status][1]
        shown = {"heading": _(title), "text": _(text).format(**told) if told else _(text), "number": number}
        response = render(request, "console/error.html", shown, status=status)
    response["Content-Language"] = language
    patch_vary_headers(response, ("Accept-Language", "Cookie"))
    return response


def bad_request(request: HttpRequest, exception: Any = None) -> HttpResponse:
    """400: an unknown host, for one."""
    return _answer(request, 400)


def permission_denied(request: HttpRequest, exception: Any = None) -> HttpResponse:
    """403; where somebody's role is to blame, which would do."""
    if isinstance(exception, NotOfTheirRole):
        logger.warning("request %s: user:%s is refused: %s", request_id(request), request.user.pk, exception)
    return _answer(request, 403, str(exception) if isinstance(exception, NotOfTheirRole) else None)


def csrf_failure(request: HttpRequest, reason: str = "") -> HttpResponse:
    """403 for a form that is not from one of our pages."""
    return _answer(request, 403)


def not_found(request: HttpRequest, exception: Any = None) -> HttpResponse:
    """404."""
    return _answer(request, 404)


def server_error(request: HttpRequest) -> HttpResponse:
    """500; Django logs the traceback beside this number."""
    logger.error("request %s failed: %s", request_id(request), request.path)
    return _answer(request, 500)


class NotNowAnswered:
    """Middleware: what a page, or a picture on it, answers where what is asked cannot be done now: 429 after too many
    wrong passwords and while too many pictures are being made, with the time to wait; 503 where what it needs is set
    aside, or out of reach; 410 where what it needs was closed into an archive."""

    def __init__(self, answer: Callable[[HttpRequest], HttpResponse]) -> None:
        self.answer = answer

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """The answer of the view."""
        return self.answer(request)

    def process_exception(self, request: HttpRequest, exception: Exception) -> HttpResponse | None:
        """The page, where a view let the exception pass."""
        if isinstance(exception, ViewsSetAside):
            return _answer(request, 503)
        if isinstance(exception, StoreAway):
            logger.warning("request %s: %s", request_id(request), exception)
            return _answer(request, 503, STORE_AWAY_SAID)
        if isinstance(exception, ClosedAway):
            return _answer(request, 410, f"{exception.problem[0].upper()}{exception.said[1:]}.")
        if isinstance(exception, TooManyTries):
            response = _answer(request, 429, minutes=-(-exception.wait_s // 60))
        elif isinstance(exception, Busy):
            response = _answer(request, 429, BUSY_SAID)
        else:
            return None
        response["Retry-After"] = str(exception.wait_s)
        return response
