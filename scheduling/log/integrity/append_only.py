"""The database itself refuses to change the past: triggers on the table of events, on SQLite and on PostgreSQL.

They also refuse an event that is out of line: not at the position after the newest one. So whoever may only append
cannot use up the positions, nor write into the hole of a closed stream.

They are made by the first migrations and again after every migration, because SQLite drops a table's triggers when a
migration remakes the table. On SQLite, INSERT OR REPLACE deletes without a delete trigger unless the connection says
otherwise, so an insert in the place of an event is refused as well. On PostgreSQL they also fire for a replica
session, which leaves out ordinary ones.
"""

from __future__ import annotations

from django.db import transaction
from django.db.backends.base.base import BaseDatabaseWrapper

TABLE = "log_event"
REFUSAL = "events are never changed or deleted: append what is true now"
OUT_OF_LINE = "an event takes the position after the newest one: append it by the program"

_SQLITE = {
    "log_event_no_update": f"BEFORE UPDATE ON {TABLE}",
    "log_event_no_delete": f"BEFORE DELETE ON {TABLE}",
    "log_event_no_replace": f"""BEFORE INSERT ON {TABLE} WHEN
        EXISTS (SELECT 1 FROM {TABLE} WHERE position = NEW.position) OR
        EXISTS (SELECT 1 FROM {TABLE} WHERE stream = NEW.stream AND version = NEW.version)""",
}
_SQLITE_IN_LINE = {
    "log_event_in_line": f"""BEFORE INSERT ON {TABLE} WHEN
        NOT EXISTS (SELECT 1 FROM {TABLE} WHERE position = NEW.position) AND
        NEW.position <> (SELECT COALESCE(MAX(position), 0) + 1 FROM {TABLE})"""
}
_POSTGRESQL = {
    "log_event_no_update": f"BEFORE UPDATE ON {TABLE}",
    "log_event_no_delete": f"BEFORE DELETE ON {TABLE}",
    "log_event_no_truncate": f"BEFORE TRUNCATE ON {TABLE}",
}
# Once a statement, however many events it brings.
_POSTGRESQL_IN_LINE = {"log_event_in_line": f"AFTER INSERT ON {TABLE} REFERENCING NEW TABLE AS said"}
_REFUSE = f"""CREATE OR REPLACE FUNCTION log_event_refuse() RETURNS trigger LANGUAGE plpgsql AS
    $$ BEGIN RAISE EXCEPTION '{REFUSAL}' USING ERRCODE = 'integrity_constraint_violation'; END $$"""
# The table by its schema, so that a table of the same name in somebody's session is not asked instead.
_KEEP_IN_LINE = f"""CREATE OR REPLACE FUNCTION log_event_keep_in_line() RETURNS trigger LANGUAGE plpgsql AS
    $$ DECLARE lowest bigint; highest bigint; many bigint;
    BEGIN
        SELECT MIN(position), MAX(position), COUNT(*) INTO lowest, highest, many FROM said;
        IF many > 0 AND (
            highest - lowest + 1 <> many
            OR lowest <> (SELECT COALESCE(MAX(position), 0) + 1 FROM {{schema}}.{TABLE} WHERE position < lowest)
            OR EXISTS (SELECT 1 FROM {{schema}}.{TABLE} WHERE position > highest)
        ) THEN
            RAISE EXCEPTION '{OUT_OF_LINE}' USING ERRCODE = 'integrity_constraint_violation';
        END IF;
        RETURN NULL;
    END $$"""


def apply(connection: BaseDatabaseWrapper) -> None:
    """Make the triggers that are missing, and make those that are there anew; no other connection sees it without."""
    with transaction.atomic(using=connection.alias), connection.cursor() as cursor:
        lift(connection)
        if connection.vendor == "sqlite":
            for triggers, refusal in ((_SQLITE, REFUSAL), (_SQLITE_IN_LINE, OUT_OF_LINE)):
                for name, when in triggers.items():
                    cursor.execute(f"CREATE TRIGGER {name} {when} BEGIN SELECT RAISE(ABORT, '{refusal}'); END")
            return
        cursor.execute(_REFUSE)
        cursor.execute("SELECT relnamespace::regnamespace::text FROM pg_class WHERE oid = %s::regclass", [TABLE])
        cursor.execute(_KEEP_IN_LINE.format(schema=cursor.fetchone()[0]))
        for triggers, does in ((_POSTGRESQL, "log_event_refuse"), (_POSTGRESQL_IN_LINE, "log_event_keep_in_line")):
            for name, when in triggers.items():
                cursor.execute(f"CREATE TRIGGER {name} {when} FOR EACH STATEMENT EXECUTE FUNCTION {does}()")
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
    if connection.vendor == "sqlite":
        return _SQLITE | _SQLITE_IN_LINE
    return _POSTGRESQL | _POSTGRESQL_IN_LINE
