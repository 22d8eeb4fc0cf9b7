"""The journal of a board as a program of another version leaves it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from machines.node.store.journal import FILE_NAME
from machines.node.store.journal_versions import VERSIONS
from tests.machines.node.made_by import made_by

# A version that no program of today knows.
NEWER = 1000


def as_an_older_leaves_it(home: Path) -> None:
    """By the version before: what only this one keeps is not there. Nobody has the journal open. One that is damaged is
    left as it is."""
    path = home / FILE_NAME
    older = path.with_suffix(".older")
    try:
        _copy(path, older)
    except sqlite3.DatabaseError:
        older.unlink()
        return
    for ending in ("-wal", "-shm"):
        path.with_name(FILE_NAME + ending).unlink(missing_ok=True)
    older.rename(path)


def _copy(path: Path, older: Path) -> None:
    before = sorted(VERSIONS)[-2]
    with closing(sqlite3.connect(older, isolation_level=None)) as made:
        made.executescript(made_by(before))
        made.execute("ATTACH ? AS newer", (str(path),))
        for (table,) in made.execute("SELECT name FROM main.sqlite_schema WHERE type = 'table'").fetchall():
            kept = _columns(made, "newer", table)
            names = ", ".join(name for name in _columns(made, "main", table) if name in kept)
            made.execute(f"DELETE FROM main.{table}")
            made.execute(f"INSERT INTO main.{table} ({names}) SELECT {names} FROM newer.{table}")
        made.execute("DETACH newer")


def version(home: Path) -> int:
    """Of the program that wrote it last."""
    with closing(sqlite3.connect(home / FILE_NAME)) as journal:
        return int(journal.execute("PRAGMA user_version").fetchone()[0])


def set_version(home: Path, version: int) -> int:
    """Say that a program of some version wrote it last; the version before."""
    with closing(sqlite3.connect(home / FILE_NAME, isolation_level=None)) as journal:
        (before,) = journal.execute("PRAGMA user_version").fetchone()
        journal.execute(f"PRAGMA user_version = {version}")
    return int(before)


def _columns(db: sqlite3.Connection, schema: str, table: str) -> list[str]:
    return [row[1] for row in db.execute(f"PRAGMA {schema}.table_info({table})")]
