"""That a machine's node was heard, and how it says that it is: telemetry, of which only the newest is kept."""

from __future__ import annotations

import logging
from datetime import datetime

from django.db import OperationalError

from machines.protocol.messages import Status
from machines.serialization import unstructure
from scheduling.log.beside import keep_heartbeat

logger = logging.getLogger(__name__)


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
