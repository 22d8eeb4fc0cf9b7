"""Counts the tasks of a fleet that fail: none is tried again by itself, and nobody asks a worker how it is."""

from __future__ import annotations

from typing import Any

from celery.signals import task_failure

from server.metrics.tallies import job_failed


def _count(sender: Any = None, **_: Any) -> None:
    job_failed(sender.name)


task_failure.connect(_count)
