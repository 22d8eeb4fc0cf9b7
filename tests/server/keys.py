"""Keys for tests, made as people make them."""

from __future__ import annotations

from django.db.models import QuerySet

from scheduling.log.models import Event
from server.accounts.access import give_key
from server.accounts.at_terminal import at_the_terminal
from server.accounts.principals import STUDIO, Grant


def events() -> QuerySet[Event]:
    """What was told to the log, but for the keys by which a test comes in."""
    return Event.objects.exclude(kind="key-made")


def new_key(name: str, standing: Grant = STUDIO) -> str:
    """A key as somebody at the terminal makes it."""
    return give_key(name, standing, at_the_terminal())
