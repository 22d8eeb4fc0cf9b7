"""What a node keeps over a power cut: its entries, its work, and how far the paper is.

One file of SQLite. Whatever is said to be kept lies on the disk when the call returns (``synchronous = FULL``).
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

TABLES = """
CREATE TABLE IF NOT EXISTS entry (seq INTEGER PRIMARY KEY, body TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS kept (name TEXT PRIMARY KEY, value TEXT NOT NULL);
"""


def instant(posix_s: float) -> str:
    """RFC 3339, UTC."""
    return datetime.fromtimestamp(posix_s, UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def posix(text: str) -> float:
    """POSIX seconds of an instant."""
    return datetime.fromisoformat(text).timestamp()


class Journal:
    """The file. It is written by one thread."""

    def __init__(self, file: Path) -> None:
        """Open it, or begin one."""
        self._db = sqlite3.connect(file, isolation_level=None)
        self._db.execute("PRAGMA journal_mode = WAL")
        self._db.execute("PRAGMA synchronous = FULL")
        self._db.executescript(TABLES)

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    @contextmanager
    def together(self) -> Iterator[None]:
        """What is kept within is kept whole or not at all."""
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            self._db.execute("ROLLBACK")
            raise
        self._db.execute("COMMIT")

    def get(self, name: str, otherwise: Any = None) -> Any:
        """What is kept under a name."""
        row = self._db.execute("SELECT value FROM kept WHERE name = ?", (name,)).fetchone()
        return otherwise if row is None else json.loads(row[0])

    def put(self, **values: Any) -> None:
        """Keep values under their names."""
        rows = [(name, json.dumps(value)) for name, value in values.items()]
        self._db.executemany("INSERT OR REPLACE INTO kept (name, value) VALUES (?, ?)", rows)

    def tell(self, kind: str, at: float, **said: Any) -> None:
        """Add an entry; they are numbered from 1 without holes."""
        (seq,) = self._db.execute("SELECT coalesce(max(seq), 0) + 1 FROM entry").fetchone()
        body = {"kind": kind, "seq": seq, "at": instant(at), **said}
        self._db.execute("INSERT INTO entry (seq, body) VALUES (?, ?)", (seq, json.dumps(body)))

    def entries(self, after: int, most: int) -> list[Any]:
        """Entries after a number, at most so many."""
        rows = self._db.execute("SELECT body FROM entry WHERE seq > ? ORDER BY seq LIMIT ?", (after, most))
        return [json.loads(body) for (body,) in rows]

    @property
    def newest(self) -> int:
        """Number of the newest entry; 0 for none."""
        (seq,) = self._db.execute("SELECT coalesce(max(seq), 0) FROM entry").fetchone()
        return int(seq)

    def renumber(self, told: int) -> None:
        """Begin again at 1 with what comes after a number: the entries up to it the server has, by other numbers."""
        rest = self.entries(told, self.newest)
        self._db.execute("DELETE FROM entry")
        for seq, body in enumerate(rest, 1):
            self._db.execute("INSERT INTO entry (seq, body) VALUES (?, ?)", (seq, json.dumps(body | {"seq": seq})))
