"""The Celery application of a fleet: one beat, any number of workers, Redis between them."""

from __future__ import annotations

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "server.settings")

app = Celery("dayroll")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks(["server"], related_name="celery_tasks")
app.autodiscover_tasks(["server"], related_name="celery_failures")
