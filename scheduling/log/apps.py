"""Registers the app with Django."""

from __future__ import annotations

import logging
from typing import Any

from django.apps import AppConfig
from django.db import connections
from django.db.models.signals import post_migrate

from scheduling.log.integrity import append_only, checks

logger = logging.getLogger(__name__)

__all__ = ["LogConfig", "checks"]


class LogConfig(AppConfig):
    """The app, under the short label ``log``."""

    name = "scheduling.log"
    label = "log"

    def ready(self) -> None:
        """After every migration, the past is sealed again."""
        post_migrate.connect(seal_again, sender=self)


def seal_again(*, using: str, **_: Any) -> None:
    """Make the triggers anew where the table of events is there, and say so where some were missing."""
    connection = connections[using]
    with connection.cursor() as cursor:
        present = append_only.TABLE in connection.introspection.table_names(cursor)
    if not present:
        return
    if missing := append_only.missing(connection):
        logger.warning("%s had been missing; run `dayroll log verify`", ", ".join(missing))
    append_only.apply(connection)
