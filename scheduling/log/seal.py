"""The database itself refuses to change the past: triggers on the table of events, on SQLite and on PostgreSQL.

They are made by the first migration and again after every migration, because SQLite drops a table's triggers when a
migration remakes the table. On SQLite, INSERT OR REPLACE deletes without a delete trigger unless the connection says
otherwise, so an insert in the place of an event is refused as well. On PostgreSQL they also fire for a replica
session, which leaves out ordinary ones.
"""

from __future__ import annotations

from django.db import transaction
from django.db.backends.base.base import BaseDatabaseWrapper

TABLE = "log_event"
REFUSAL = "events are never changed or deleted: append what is true now"

_SQLITE = {
    "log_event_no_update": f"BEFORE UPDATE ON {TABLE}",
    "log_event_no_delete": f"BEFORE DELETE ON {TABLE}",
    "log_event_no_replace": f"""BEFORE INSERT ON {TABLE} WHEN
        EXISTS (SELECT 1 FROM {TABLE} WHERE position = NEW.position) OR
        EXISTS (SELECT 1 FROM {TABLE} WHERE stream = NEW.stream AND version = NEW.version)""",
}
_POSTGRESQL = {
    "log_event_no_update": f"BEFORE UPDATE ON {TABLE}",
    "log_event_no_delete": f"BEFORE DELETE ON {TABLE}",
    "log_event_no_truncate": f"BEFORE TRUNCATE ON {TABLE}",
}


def apply(connection: BaseDatabaseWrapper) -> None:
    """Make the triggers that are missing, and make those that are there anew; no other connection sees it without."""
    with transaction.atomic(using=connection.alias), connection.cursor() as cursor:
        lift(connection)
        if connection.vendor == "sqlite":
            for name, when in _SQLITE.items():
                cursor.execute(f"CREATE TRIGGER {name} {when} BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END")
            return
        cursor.execute(
            f"""CREATE OR REPLACE FUNCTION log_event_refuse() RETURNS trigger LANGUAGE plpgsql AS
            $$ BEGIN RAISE EXCEPTION '{REFUSAL}' USING ERRCODE = 'integrity_constraint_violation'; END $$"""
        )
        for name, when in _POSTGRESQL.items():
            cursor.execute(f"CREATE TRIGGER {name} {when} FOR EACH STATEMENT EXECUTE FUNCTION log_event_refuse()")
            cursor.execute(f"ALTER TABLE {TABLE} ENABLE ALWAYS TRIGGER {name}")


def lift(connection: BaseDatabaseWrapper) -> None:
    """Drop the triggers, so that a test's own database can be emptied between tests."""
    on_table = "" if connection.vendor == "sqlite" else f" ON {TABLE}"
    with connection.cursor() as cursor:
        for name in _expected(connection):
            cursor.execute(f"DROP TRIGGER IF EXISTS {name}{on_table}")


def missing(connection: BaseDatabaseWrapper) -> list[str]:
    """Names of the triggers that are missing, switched off or made harmless; none where there is no table yet."""
    with connection.cursor() as cursor:
        if TABLE not in connection.introspection.table_names(cursor):
            return []
        if connection.vendor == "sqlite":
            cursor.execute(
                "SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = %s AND sql LIKE %s",
                [TABLE, "%RAISE(ABORT%"],
            )
        else:
            cursor.execute(
                """SELECT tgname FROM pg_trigger JOIN pg_proc ON pg_proc.oid = tgfoid
                WHERE tgrelid = %s::regclass AND tgenabled = 'A' AND prosrc LIKE %s""",
                [TABLE, "%RAISE EXCEPTION%"],
            )
        present = {name for (name,) in cursor.fetchall()}
    return [name for name in _expected(connection) if name not in present]


def _expected(connection: BaseDatabaseWrapper) -> dict[str, str]:
    return _SQLITE if connection.vendor == "sqlite" else _POSTGRESQL
