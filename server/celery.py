"""The Celery application of a fleet: one beat, any number of workers, Redis between them."""

from __future__ import annotations

import logging
import os
from typing import Any

import django
from celery import Celery
from celery.signals import setup_logging

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "server.settings")

app = Celery("dayroll")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks(["server"], related_name="celery_tasks")
app.autodiscover_tasks(["server"], related_name="celery_failures")
app.autodiscover_tasks(["server"], related_name="celery_drawers")


def _log_as_the_server_does(loglevel: int, **_: Any) -> None:
    """Celery sets up no log of its own, as somebody else does: the server's settings."""
    django.setup()
    logging.getLogger("celery").setLevel(loglevel)


setup_logging.connect(_log_as_the_server_does)
