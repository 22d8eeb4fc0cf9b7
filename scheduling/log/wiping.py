"""What was deleted leaves the database's files as well, once that is committed.

SQLite writes zeros over what it deletes where it is asked to, but the pages of before stay readable beside the file, in
its write-ahead log, until that is emptied. PostgreSQL leaves deleted rows where they are until the table is written
anew. Both keep to it only where nobody is reading what was there before.
"""

from __future__ import annotations

from django.db import connections

from scheduling.log import models


def zero_what_is_deleted(using: str) -> None:
    """From here on this connection writes zeros over what it deletes, and does not only forget its place."""
    if connections[using].vendor == "sqlite":
        with connections[using].cursor() as cursor:
            cursor.execute("PRAGMA secure_delete = ON")


def wipe(*, using: str = "default") -> str:
    """Have the deleted words of people leave the database's files; outside of a transaction, by the tables' owner.

    Returns:
        What still holds them, and what to do about it, in sentences; empty where nothing does.
    """
    connection = connections[using]
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            (busy, _, _) = cursor.fetchone()
            return _still_read(str(connection.settings_dict["NAME"])) if busy else ""
        cursor.execute(f"VACUUM (FULL) {models.Remark._meta.db_table}")
    return (
        "PostgreSQL's write-ahead log (pg_wal, and wherever it is kept besides) holds it until that is used again; so"
        " does the table, if a transaction of before is still open: run `VACUUM FULL log_remark` once it is over."
    )


def _still_read(file: str) -> str:
    return (
        f"It can still be read in {file}-wal, as somebody was reading the database all the while: stop the server;"
        " whoever closes the database last takes that file away."
    )
