"""Signing in and out on the pages, what is written down of it, and when a session ends by itself."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Any

from django.conf import settings
from django.contrib.auth import SESSION_KEY, logout
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.models import User
from django.contrib.auth.views import LoginView, LogoutView
from django.contrib.sessions.models import Session
from django.http import HttpRequest, HttpResponse

from server import wiring
from server.accounts.addresses import address_of
from server.accounts.known_browsers import introduce
from server.request_id import request_id

logger = logging.getLogger(__name__)

IDLE_S = 43_200.0
LONGEST_S = 1_209_600.0
SEEN_EVERY_S = 600.0
BEGAN, SEEN = "dayroll-began", "dayroll-seen"


class SignIn(LoginView):
    """The page that asks for name and password."""

    template_name = "console/sign_in.html"

    def get_context_data(self, **kwargs: Any) -> dict[str, Any]:
        """What the page says."""
        return super().get_context_data(open_pages=settings.OPEN_PAGES, **kwargs)

    def form_valid(self, form: AuthenticationForm) -> HttpResponse:
        """Somebody is signed in, in a session of a new name; their browser is known from now on."""
        response = super().form_valid(form)
        self.request.session.cycle_key()
        person = form.get_user()
        assert isinstance(person, User)
        introduce(response, person)
        self.request.session[BEGAN] = self.request.session[SEEN] = wiring.now().timestamp()
        number, address = request_id(self.request), address_of(self.request)
        logger.info("request %s from %s: user:%s signed in", number, address, person.pk)
        return response


class SignOut(LogoutView):
    """Leaving."""

    next_page = "console"

    def post(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        """Nobody is signed in here any more."""
        who, number, address = request.user.pk, request_id(request), address_of(request)
        response = super().post(request, *args, **kwargs)
        logger.info("request %s from %s: user:%s signed out", number, address, who)
        return response


def ending(answer: Callable[[HttpRequest], HttpResponse]) -> Callable[[HttpRequest], HttpResponse]:
    """Middleware: end a session that nobody used for half a day, or that is two weeks old.

    When it was last used is written down every ten minutes at most. Who is not signed in has no session to look at.
    """

    def end_or_answer(request: HttpRequest) -> HttpResponse:
        if settings.SESSION_COOKIE_NAME in request.COOKIES and SESSION_KEY in request.session:
            _end_or_note(request, wiring.now().timestamp())
        return answer(request)

    return end_or_answer


def _end_or_note(request: HttpRequest, now: float) -> None:
    session = request.session
    began, seen = session.setdefault(BEGAN, now), session.setdefault(SEEN, now)
    if now - seen > IDLE_S or now - began > LONGEST_S:
        logger.info("request %s from %s: a session ended by itself", request_id(request), address_of(request))
        logout(request)
    elif now - seen > SEEN_EVERY_S:
        session[SEEN] = now


def end_sessions(person: User) -> None:
    """Sign somebody out wherever they are signed in."""
    for session in Session.objects.iterator():
        if session.get_decoded().get(SESSION_KEY) == str(person.pk):
            session.delete()
