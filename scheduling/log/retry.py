"""Doing again what lost a race for a stream of the log."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import TypeVar

from scheduling.log.store import VersionConflict

TRIES = 5

T = TypeVar("T")


def retry_on_conflict(once: Callable[[], T]) -> T:
    """Do something that reads a stream, decides and appends; where it lost the race, from reading on.

    Raises:
        VersionConflict: it lost every time.
    """
    for _ in range(TRIES - 1):
        with suppress(VersionConflict):
            return once()
    return once()
