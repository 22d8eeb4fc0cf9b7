"""The language of the pages for staff and visitors: the reader's own, as the browser says or as they chose on a page.

The studio's pages are English. A page that speaks others is marked with `spoken`; what it renders is in the language
that is active while it runs. A choice is kept in a cookie, and is a link: it works without a script and without a form.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from typing import Concatenate, ParamSpec

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.utils import translation
from django.utils.cache import patch_vary_headers

from machines.operator.language import LANGUAGES

Rest = ParamSpec("Rest")
PageView = Callable[Concatenate[HttpRequest, Rest], HttpResponse]
CHOSEN = "language"


@dataclass(frozen=True)
class Choice:
    """A language to choose.

    Attributes:
        name: in itself.
        address: of the same page in it.
        is_spoken: whether it is the one that is spoken.
    """

    code: str
    name: str
    address: str
    is_spoken: bool


def spoken(view: PageView[Rest]) -> PageView[Rest]:
    """A page in the reader's language."""

    @wraps(view)
    def asked(request: HttpRequest, /, *args: Rest.args, **kwargs: Rest.kwargs) -> HttpResponse:
        chosen = request.GET.get(CHOSEN)
        code = chosen if chosen in LANGUAGES else translation.get_language_from_request(request)
        request.languages = _choices(request, code)  # type: ignore[attr-defined]  # the template reads it
        with translation.override(code):
            response = view(request, *args, **kwargs)
        response["Content-Language"] = code
        patch_vary_headers(response, ("Accept-Language", "Cookie"))
        if chosen == code:
            _keep(response, code)
        return response

    return asked


def _choices(request: HttpRequest, spoken: str) -> tuple[Choice, ...]:
    asked = request.GET.copy()
    found = []
    for code, name in LANGUAGES.items():
        asked[CHOSEN] = code
        found.append(Choice(code, name, f"?{asked.urlencode()}", code == spoken))
    return tuple(found)


def _keep(response: HttpResponse, code: str) -> None:
    response.set_cookie(
        settings.LANGUAGE_COOKIE_NAME,
        code,
        max_age=settings.LANGUAGE_COOKIE_AGE,
        secure=settings.SESSION_COOKIE_SECURE,
        httponly=True,
        samesite="Lax",
    )
