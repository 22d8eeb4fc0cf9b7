"""Copying a SQLite database beside those that write, and putting a copy in its place."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from django.db import connections

from machines.disk import sync_folder
from machines.errors import InputError
from server.backups.files import copy_file
from server.backups.manifest import Tell, in_mb

# So many pages at a time, 4 MB with pages as SQLite makes them: between two of them it can be told how far it is.
PAGES = 1000
COPY = "copy"


def dump(source: Path, target: Path, tell: Tell) -> None:
    """Copy a database as it is now by SQLite's online backup. Whoever writes goes on, and is not in it."""
    with (
        closing(sqlite3.connect(source, isolation_level=None)) as live,
        closing(sqlite3.connect(target, isolation_level=None)) as copy,
    ):
        # Held still for this reader: else each write by another would have the copying begin anew, with no end to it.
        live.execute("BEGIN")
        live.execute("SELECT count(*) FROM sqlite_master").fetchone()
        (page_octets,) = live.execute("PRAGMA page_size").fetchone()

        def told(status: int, left: int, of: int) -> None:
            tell(f"copied {in_mb((of - left) * page_octets)} of {in_mb(of * page_octets)} MB of the database")

        live.backup(copy, pages=PAGES, progress=told)
        live.execute("ROLLBACK")
        copy.execute("PRAGMA journal_mode = DELETE")  # one file, and none beside it


@contextmanager
def opened(file: Path) -> Iterator[str]:
    """The alias under which a copy can be read meanwhile."""
    live = connections["default"].settings_dict
    connections.settings[COPY] = live | {"NAME": file, "OPTIONS": {}, "CONN_MAX_AGE": 0}
    try:
        yield COPY
    finally:
        connections[COPY].close()
        del connections[COPY]
        del connections.settings[COPY]


def put(source: Path, target: Path, kept: Path) -> Path | None:
    """Put a copy in the place of a database; at each instant the one or the other is there.

    Args:
        source: the copy.
        target: the database, of which nobody has a connection.
        kept: a new name beside it for what was there.

    Returns:
        where that lies; None where there was nothing.

    Raises:
        InputError: somebody still has the database open.
        OSError: the disk is full, or cannot be written; the database is as it was.
    """
    part = target.with_name(f"{target.name}.part")
    part.unlink(missing_ok=True)  # of somebody who was killed
    try:
        copy_file(source, part.parent, part.name)
        _exchange(part, target, kept)
    finally:
        part.unlink(missing_ok=True)
    return kept if kept.exists() else None


def _exchange(part: Path, target: Path, kept: Path) -> None:
    try:
        with closing(sqlite3.connect(target, timeout=0, isolation_level=None)) as old:
            # What stands beside it goes into it, which SQLite does for whoever is alone with it; then nobody gets in.
            old.execute("PRAGMA journal_mode = DELETE")
            old.execute("BEGIN EXCLUSIVE")
            if old.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
                os.link(target, kept)
            part.replace(target)
            sync_folder(target.parent)
    except sqlite3.OperationalError as error:
        problem = f"somebody has it open ({error})"
        raise InputError(str(target), problem, "stop the server, and whatever else reads the database") from error
