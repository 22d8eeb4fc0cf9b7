"""That a machine's node was heard, and how it says that it is: telemetry, of which only the newest is kept."""

from __future__ import annotations

import logging
from datetime import datetime, timedelta

from django.db import OperationalError

from machines.protocol.messages import Status
from machines.serialization import unstructure
from scheduling.log.beside import keep_heartbeat

logger = logging.getLogger(__name__)

# What was written down is new enough for so large a part of the time after which a node counts as silent.
SHARE_OF_SILENCE = 0.1


def hear(machine: str, status: Status | None, now: datetime) -> None:
    """Keep the newest word from a node.

    It is telemetry: where it cannot be written now, nobody waits for it, and nobody is told that facts were not taken.

    Args:
        machine: id.
        status: how it says that it is; None where it did not say. Then what it said last stands, and ``{}`` until it
            first does.
        now: when it was heard, UTC.
    """
    try:
        keep_heartbeat(machine, now, None if status is None else unstructure(status))
    except OperationalError as error:
        logger.warning("that machine %s was heard cannot be written: %s", machine, error)


def hear_again(machine: str, heard_at: datetime | None, now: datetime, silent_after: timedelta) -> None:
    """Keep that a node was heard that said nothing of itself, where nothing newer is kept: it polls right after its
    report, and to write each poll down would cost more than all else of it.

    Args:
        machine: id.
        heard_at: when it was heard, as far as that is kept, UTC; None where it is not.
        now: when it was heard this time, UTC; ahead of what is kept, unless the clock was put back.
        silent_after: how long a node may be silent before anybody is told.
    """
    if heard_at is None or not timedelta() <= now - heard_at < SHARE_OF_SILENCE * silent_after:
        hear(machine, None, now)
