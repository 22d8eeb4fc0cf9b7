"""What was deleted leaves the database's files as well, once that is committed.

SQLite writes zeros over what it deletes where it is asked to, but the pages of before stay readable beside the file, in
its write-ahead log, until that is emptied. PostgreSQL leaves deleted rows where they are until the table is written
anew. Both keep to it only where nobody is reading what was there before.
"""

from __future__ import annotations

from collections.abc import Sequence

from django.db import connections
from django.db.models import Model

from scheduling.log.models import Remark


def zero_what_is_deleted(using: str) -> None:
    """From here on this connection writes zeros over what it deletes, and does not only forget its place."""
    if connections[using].vendor == "sqlite":
        with connections[using].cursor() as cursor:
            cursor.execute("PRAGMA secure_delete = ON")


def wipe(tables: Sequence[type[Model]] = (Remark,), *, using: str = "default") -> str:
    """Have what was deleted leave the database's files; outside of a transaction, by the tables' owner.

    Args:
        tables: of which it was deleted; PostgreSQL writes each anew, while nobody else can use it.
        using: alias of the database.

    Returns:
        What still holds them, and what to do about it, in sentences; empty where nothing does.
    """
    connection = connections[using]
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            (busy, _, _) = cursor.fetchone()
            return _still_read(str(connection.settings_dict["NAME"])) if busy else ""
        again = f"VACUUM (FULL) {', '.join(table._meta.db_table for table in tables)}"
        cursor.execute(again)
    return (
        "PostgreSQL's write-ahead log (pg_wal, and wherever it is kept besides) holds it until that is used again; so"
        f" do the tables, if a transaction of before is still open: run `{again}` once it is over."
    )


def _still_read(file: str) -> str:
    return (
        f"It can still be read in {file}-wal, as somebody was reading the database all the while: stop the server;"
        " whoever closes the database last takes that file away."
    )
