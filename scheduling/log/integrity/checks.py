"""The check at start that the database refuses to change the past."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.core.checks import CheckMessage, Error, Tags, register
from django.db import connections

from scheduling.log.integrity import append_only


@register(Tags.database)
def log_is_sealed(*, databases: Sequence[str] | None = None, **_: Any) -> list[CheckMessage]:
    """An error for each database in which somebody dropped or switched off a trigger of the log."""
    return [
        Error(
            f"The database {alias!r} would let events be changed: {', '.join(names)} missing.",
            hint="Find out who dropped them; run `dayroll log verify`, then `dayroll log seal`.",
            id="log.E001",
        )
        for alias in databases or ()
        if (names := append_only.missing(connections[alias]))
    ]
