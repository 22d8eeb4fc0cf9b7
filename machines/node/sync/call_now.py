"""A person has the agent call the server at once, instead of when its wait is over."""

from __future__ import annotations

import sqlite3

from machines.errors import InputError
from machines.node.store.journal import Journal
from machines.operator.language import _

# How long a person waits for what comes of it, and how often is looked; real seconds. Longer than a connection takes.
PATIENCE_S = 30.0
LOOK_S = 0.1
_ASKED, _UNDER_WAY = "asked", "under-way"


def ask(db: sqlite3.Connection) -> None:
    """Leave word for the agent."""
    db.execute("INSERT OR REPLACE INTO document (name, body) VALUES ('call', ?)", (_ASKED,))


def is_asked(db: sqlite3.Connection) -> bool:
    """Whether a person waits for a pass that has not begun."""
    return _word(db) == _ASKED


def begin(db: sqlite3.Connection) -> None:
    """A pass begins: it is what was asked for."""
    db.execute("UPDATE document SET body = ? WHERE name = 'call'", (_UNDER_WAY,))


def end(db: sqlite3.Connection) -> None:
    """It is over; who asked meanwhile waits for the next."""
    db.execute("DELETE FROM document WHERE name = 'call' AND body = ?", (_UNDER_WAY,))


def wait(journal: Journal, limit_s: float = PATIENCE_S) -> None:
    """Until what was asked for is done.

    Raises:
        InputError: it takes longer than a person waits; it goes on all the same.
    """

    def is_done() -> bool:
        with journal.reading() as db:
            return _word(db) is None

    if not journal.news.until(is_done, limit_s, LOOK_S):
        problem = _("no answer within {seconds} s").format(seconds=f"{limit_s:g}")
        remedy = _("it goes on; look again at how it is in a while")
        raise InputError("server", problem, remedy)


def _word(db: sqlite3.Connection) -> str | None:
    row = db.execute("SELECT body FROM document WHERE name = 'call'").fetchone()
    return None if row is None else str(row[0])
