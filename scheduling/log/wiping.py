"""What was deleted leaves the database's files as well, once that is committed.

A database leaves deleted rows where they are, and what it copied of them when it parted a page that was full, until
something else comes to lie there; so the tables are written anew. What SQLite has written last lies beside its file, in
its write-ahead log, until that is emptied, and it keeps there what somebody still reads.
"""

from __future__ import annotations

from collections.abc import Sequence

from django.db import OperationalError, connections
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.models import Model

from scheduling.log.models import Remark


def wipe(tables: Sequence[type[Model]] = (Remark,), *, using: str = "default") -> str:
    """Have what was deleted leave the database's files; outside of a transaction, by the tables' owner.

    Args:
        tables: of which it was deleted; PostgreSQL writes each anew, while nobody else can use it. SQLite writes all
            anew, while nobody else can write.
        using: alias of the database.

    Returns:
        What still holds them, and what to do about it, in sentences; empty where nothing does.
    """
    connection = connections[using]
    if connection.vendor == "sqlite":
        return _wipe_file(connection)
    again = f"VACUUM (FULL) {', '.join(table._meta.db_table for table in tables)}"
    with connection.cursor() as cursor:
        cursor.execute(again)
    return (
        "PostgreSQL's write-ahead log (pg_wal, and wherever it is kept besides) holds it until that is used again; so"
        f" do the tables, if a transaction of before is still open: run `{again}` once it is over."
    )


def _wipe_file(connection: BaseDatabaseWrapper) -> str:
    file = connection.settings_dict["NAME"]
    with connection.cursor() as cursor:
        try:
            cursor.execute("VACUUM")
        except OperationalError as error:
            return f"It can still be read in {file}, which could not be written anew ({error}): have SQLite VACUUM it."
        cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (busy, _, _) = cursor.fetchone()
    if not busy:
        return ""
    return (
        f"It can still be read in {file} and {file}-wal, as somebody was reading the database all the while: stop the"
        " server; whoever closes the database last writes the one anew and takes the other away."
    )
