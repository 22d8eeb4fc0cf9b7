"""What this boot knows of the time, kept for an agent that starts again."""

from __future__ import annotations

import sqlite3

from machines.node.clock.server_time import ServerTime
from machines.node.store.documents import get_document, put_document


def keep_time(db: sqlite3.Connection, boot: str, time: ServerTime) -> None:
    """Keep what this boot knows of the time, so that an agent that starts again while offline knows it, too."""
    put_document(db, "boot", boot)
    put_document(db, "server-time", time)


def kept_time(db: sqlite3.Connection, boot: str) -> ServerTime | None:
    """What was known in this boot. After another boot elapsed seconds count from elsewhere: None."""
    return get_document(db, "server-time", ServerTime) if get_document(db, "boot", str) == boot else None
