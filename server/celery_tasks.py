"""The background jobs as Celery tasks.

A task may be delivered twice, when a worker dies after its work and before its acknowledgement, or when somebody
starts a second beat. That is harmless: each job is safe to run twice at once, because the log's stream versions let
only one of two equal writes win; a run and a message are claimed by whoever is at it.

None is tried again by itself: the next beat asks anew what is to be done. That the store of plates does not answer is
said in a line and counted, and no mistake.
"""

from __future__ import annotations

from celery import shared_task
from django.conf import settings

from scheduling.rendering.kept_files import StoreAway
from server import jobs
from server.own_work import done, tried


@shared_task(name="extend-plans")
def extend_plans() -> None:
    """Have each run planned of which something is due, by whoever draws: one task a run, which is void when the next
    beat asks again. That it was asked for is not that it is done: where something is due, those who do it say so."""
    due = jobs.due()
    for run in due:
        extend_run.apply_async((run,), expires=settings.EXTEND_EVERY_S)
    if not due:
        done("extend-plans")


@shared_task(name="extend-run", throws=(StoreAway,))
def extend_run(run: str) -> None:
    """Plan one run ahead and draw its plates."""
    jobs.extend_one(run, tried)


@shared_task(name="redraw-plates", throws=(StoreAway,))
def redraw_plates() -> None:
    """Draw plates anew that the disk has lost."""
    if jobs.redraw() is not None:
        done("redraw-plates")


@shared_task(name="tidy-plates", throws=(StoreAway,))
def tidy_plates() -> None:
    """Remove old plates."""
    if jobs.tidy() is not None:
        done("tidy-plates")


@shared_task(name="take-snapshots")
def take_snapshots() -> None:
    """Keep how runs and machines stand where that is due."""
    if jobs.snapshots() is not None:
        done("take-snapshots")


@shared_task(name="watch-silence")
def watch_silence() -> None:
    """Begin and end silences."""
    jobs.watch()
    done("watch-silence")


@shared_task(name="watch-openings")
def watch_openings() -> None:
    """Hold openings that come soon against what is planned."""
    jobs.doubt()
    done("watch-openings")


@shared_task(name="watch-store", throws=(StoreAway,))
def watch_store() -> None:
    """See whether plates and uploads can be kept and read now."""
    jobs.watch_store()
    done("watch-store")


@shared_task(name="look-amiss")
def look_amiss() -> None:
    """Find what is amiss, and have messages made of it."""
    jobs.look()
    done("look-amiss")


@shared_task(name="send-messages")
def send_messages() -> None:
    """Send what is to be sent."""
    jobs.send()
    done("send-messages")
