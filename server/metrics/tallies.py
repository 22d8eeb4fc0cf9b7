"""What is done seldom, and by processes that nobody can ask, such as those that draw: counted in the database.

A count that cannot be written is lost; nothing waits for it or fails with it.
"""

from __future__ import annotations

import logging

from django.db import Error, transaction
from django.db.models import F

from server.metrics.models import Tally

logger = logging.getLogger(__name__)

PLATES = "plates-drawn"
FAILED = "failed "


def plate_was_drawn(took_s: float) -> None:
    """Count a plate, and how long it took to draw and keep it, seconds."""
    _add(PLATES, took_s)


def job_failed(name: str) -> None:
    """Count that a job, or a task of a fleet, failed."""
    _add(FAILED + name, 0.0)


def _add(name: str, seconds: float) -> None:
    try:
        with transaction.atomic():
            Tally.objects.get_or_create(name=name)
            Tally.objects.filter(name=name).update(times=F("times") + 1, seconds=F("seconds") + seconds)
    except Error as error:
        logger.warning("one more of %r cannot be counted: %s", name, error)
