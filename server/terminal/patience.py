"""Telling people how far something is that takes long, and nothing where it does not."""

from __future__ import annotations

import time
from collections.abc import Callable

# Whoever waits wonders after so long; and reads no faster than that.
FIRST_AFTER_S = TOLD_EVERY_S = 2.0


def patiently(say: Callable[[str], object]) -> Callable[[str], None]:
    """What says the newest word of how far something is, now and then."""
    next_at = time.monotonic() + FIRST_AFTER_S

    def tell(said: str) -> None:
        nonlocal next_at
        if time.monotonic() >= next_at:
            next_at = time.monotonic() + TOLD_EVERY_S
            say(said)

    return tell
