"""Signing in with a name and a password, as Django does it, but not any number of times."""

from __future__ import annotations

from typing import Any

from django.contrib.auth.backends import ModelBackend
from django.contrib.auth.models import User
from django.http import HttpRequest

from server import wiring
from server.accounts.attempts import What, address_of, count_wrong, require_few


class GuardedBackend(ModelBackend):
    """Django's own accounts, with a bound on wrong passwords from one address and for one account."""

    def authenticate(
        self, request: HttpRequest | None, username: str | None = None, password: str | None = None, **others: Any
    ) -> User | None:
        """The person, or None where name and password are not a person's; without a request nothing is counted.

        Raises:
            TooManyTries: there were too many wrong ones before; the password was not looked at.
        """
        if request is None:
            return super().authenticate(request, username, password, **others)
        tries: tuple[tuple[What, str], ...] = (("password", address_of(request)), ("account", username or ""))
        now = wiring.now()
        for what, who in tries:
            require_few(what, who, now)
        person = super().authenticate(request, username, password, **others)
        if person is None:
            for what, who in tries:
                count_wrong(what, who, now)
        return person
