"""Browsers in which somebody signed in before. Each keeps a signed name of its own for that account, by which its wrong
tries are counted apart from all others'; it opens nothing."""

from __future__ import annotations

import hmac

from django.conf import settings
from django.contrib.auth.models import User
from django.core import signing
from django.http import HttpRequest, HttpResponse

from server import wiring

KNOWN_S = 15_552_000
SALT = "dayroll.known-browser"


def introduce(response: HttpResponse, person: User) -> None:
    """Have the browser keep that this person signed in there; another password makes it a stranger."""
    told = signing.dumps([person.pk, wiring.chance().in_hex(16), person.get_session_auth_hash()], salt=SALT)
    response.set_cookie(
        settings.KNOWN_COOKIE_NAME,
        told,
        max_age=KNOWN_S,
        secure=settings.SESSION_COOKIE_SECURE,
        httponly=True,
        samesite="Strict",
    )


def known_as(request: HttpRequest, username: str) -> str | None:
    """The name of a browser in which the account signed in before; None for any other."""
    told = request.COOKIES.get(settings.KNOWN_COOKIE_NAME)
    if told is None:
        return None
    try:
        number, name, auth_hash = signing.loads(told, salt=SALT, max_age=KNOWN_S)
    except (signing.BadSignature, ValueError, TypeError):
        return None
    person = User.objects.filter(pk=number, username=User.normalize_username(username)).first()
    if person is None or not hmac.compare_digest(auth_hash, person.get_session_auth_hash()):
        return None
    return f"user:{number} {name}"
