"""Has a worker that draws say that it lives: one that is at a large plate is told by that from one that is gone.

It is said by the worker's first process, which only hands out tasks, and only while the broker hears it. No connection
to the database is kept: those who draw are its children, and each has one of its own.
"""

from __future__ import annotations

from typing import Any

from celery.signals import heartbeat_sent, worker_ready
from django.db import connections

from server.own_work import DRAWER, done

QUEUE = "plates"


def _listen(sender: Any = None, **_: Any) -> None:
    """Say so from now on, where it takes what is to be drawn."""
    if QUEUE in sender.app.amqp.queues.consume_from:
        heartbeat_sent.connect(_say)
        _say()


def _say(**_: Any) -> None:
    done(DRAWER)
    connections.close_all()


worker_ready.connect(_listen)
