"""Whether anybody still works with a database that is to be replaced."""

from __future__ import annotations

from datetime import timedelta

from django.db import connections

from machines.errors import InputError
from scheduling.log.beside import LISTENS
from scheduling.log.models import Event, OwnWork
from server import wiring
from server.own_work import KEPT_EVERY

# Whoever serves says so more often than that.
SAID_WITHIN = 2 * KEPT_EVERY
_OTHERS = """SELECT usename, application_name, client_addr FROM pg_stat_activity
    WHERE datname = current_database() AND backend_type = 'client backend' AND pid <> pg_backend_pid()"""


def require_nobody() -> None:
    """See that no server, and on PostgreSQL nobody at all, is at the database.

    Of a SQLite database, `server.backups.sqlite.put` finds out by itself whether somebody has it open.

    Raises:
        InputError: somebody is.
    """
    connection = connections["default"]
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute(_OTHERS)
            others = [" ".join(str(word) for word in row if word) for row in cursor.fetchall()]
        if others:
            problem = f"{len(others)} others are connected to it: {'; '.join(others[:5])}"
            raise InputError("database", problem, "stop the server with all its parts, and whatever else is there")
    said = _said_to_listen()
    if said is not None and timedelta(0) <= said < SAID_WITHIN:
        problem = f"a server said {said.total_seconds():.0f} s ago that it is at it"
        remedy = f"stop it with all its parts, and wait for {SAID_WITHIN.total_seconds():.0f} s"
        raise InputError("database", problem, remedy)


def tables() -> set[str]:
    """Names of the database's tables."""
    connection = connections["default"]
    with connection.cursor() as cursor:
        return set(connection.introspection.table_names(cursor))


def _said_to_listen() -> timedelta | None:
    """How long ago."""
    names = {OwnWork._meta.db_table, Event._meta.db_table}
    row = OwnWork.objects.filter(name=LISTENS).first() if names <= tables() else None
    return None if row is None or row.done_at is None else wiring.really_now() - row.done_at
