"""The background jobs as Celery tasks.

A task may be delivered twice, when a worker dies after its work and before its acknowledgement, or when somebody
starts a second beat. That is harmless: each job is safe to run twice at once, because the log's stream versions let
only one of two equal writes win; a message is claimed by whoever sends it.
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


@shared_task(name="watch-openings")
def watch_openings() -> None:
    """Hold openings that come soon against what is planned."""
    jobs.doubt()


@shared_task(name="look-amiss")
def look_amiss() -> None:
    """Find what is amiss, and have messages made of it."""
    jobs.look()


@shared_task(name="send-messages")
def send_messages() -> None:
    """Send what is to be sent."""
    jobs.send()
