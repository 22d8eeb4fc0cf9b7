"""What a newer server last said of work and this version did not understand, kept whole until a version does.

It is read again by each agent that begins: one of a later version may understand it, with no server in reach.
"""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass
from typing import Any

from machines.errors import InputError
from machines.serialization import structure_lenient, unstructure

_NAME = "unread-work"


@dataclass(frozen=True, kw_only=True)
class Unread:
    """An answer.

    Attributes:
        etag: its tag; empty if it has none.
        said: the answer.
        problem: the first of it that was not understood, by the version that kept it.
    """

    etag: str
    said: dict[str, Any]
    problem: str


def keep(db: sqlite3.Connection, unread: Unread | None) -> None:
    """Keep an answer in the place of an earlier one; None where the newest is understood."""
    db.execute("DELETE FROM document WHERE name = ?", (_NAME,))
    if unread is not None:
        db.execute("INSERT INTO document (name, body) VALUES (?, ?)", (_NAME, json.dumps(unstructure(unread))))


def unread_answer(db: sqlite3.Connection) -> Unread | None:
    """The newest answer, if something of it was not understood."""
    row = db.execute("SELECT body FROM document WHERE name = ?", (_NAME,)).fetchone()
    try:
        return None if row is None else structure_lenient(json.loads(row[0]), Unread)
    except (InputError, ValueError):
        return None
