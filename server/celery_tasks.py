"""The background jobs as Celery tasks.

A task may be delivered twice, when a worker dies after its work and before its acknowledgement, or when somebody
starts a second beat. That is harmless: each job is safe to run twice at once, because the log's stream versions let
only one of two equal writes win.
"""

from __future__ import annotations

from celery import shared_task

from server import jobs


@shared_task(name="extend-plans")
def extend_plans() -> None:
    """Plan ahead and draw plates."""
    jobs.extend()


@shared_task(name="redraw-plates")
def redraw_plates() -> None:
    """Draw plates anew that the disk has lost."""
    jobs.redraw()


@shared_task(name="watch-silence")
def watch_silence() -> None:
    """Begin and end silences."""
    jobs.watch()
