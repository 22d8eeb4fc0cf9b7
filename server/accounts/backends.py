"""Signing in with a name and a password, as Django does it, but not any number of times."""

from __future__ import annotations

import logging
from typing import Any

from django.contrib.auth.backends import ModelBackend
from django.contrib.auth.models import User
from django.http import HttpRequest

from server import wiring
from server.accounts.addresses import address_of
from server.accounts.attempt_limit import What, count_wrong, require_few
from server.accounts.known_browsers import known_as
from server.request_id import request_id

logger = logging.getLogger(__name__)


class GuardedBackend(ModelBackend):
    """Django's own accounts, with a bound on wrong passwords from one address and for one account; or, in a browser
    that is known for the account, from that browser."""

    def authenticate(
        self, request: HttpRequest | None, username: str | None = None, password: str | None = None, **others: Any
    ) -> User | None:
        """The person, or None where name and password are not a person's; without a request nothing is counted.

        Raises:
            TooManyTries: there were too many wrong ones before; the password was not looked at.
        """
        if request is None:
            return super().authenticate(request, username, password, **others)
        address, browser = address_of(request), known_as(request, username or "")
        strangers: tuple[tuple[What, str], ...] = (("password", address), ("account", username or ""))
        tries = strangers if browser is None else ((("browser", browser)),)
        now = wiring.now()
        for what, who in tries:
            require_few(what, who, now)
        person = super().authenticate(request, username, password, **others)
        if person is None:
            logger.warning("request %s from %s: a wrong name or password", request_id(request), address)
            for what, who in tries:
                count_wrong(what, who, now)
        return person
