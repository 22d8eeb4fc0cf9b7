"""What lies below tells of what it did, and does not know who counts."""

from __future__ import annotations

from typing import Any

from scheduling.background.extend_plans import plate_drawn
from scheduling.log.store import appended
from server.metrics import counted
from server.metrics.tallies import plate_was_drawn


def listen() -> None:
    """Count from now on. To be told so twice changes nothing."""
    appended.connect(_count_append)
    plate_drawn.connect(_count_plate)


def _count_append(sender: Any, *, events: int, waited_s: float, took_s: float, **_: Any) -> None:
    counted.EVENTS.inc(events)
    counted.APPEND_SECONDS.observe(took_s)
    counted.APPEND_WAIT_SECONDS.observe(waited_s)


def _count_plate(sender: Any, *, took_s: float, **_: Any) -> None:
    plate_was_drawn(took_s)
