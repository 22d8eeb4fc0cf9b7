"""Tables beside the live ones in schemas of their own, and how they change places.

A table takes its indexes and constraints, with their names, from one schema to another; no row is moved. Whoever waits
for a table finds the other under its name. The owner and everybody's rights are given to the new one before.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.db import connections, transaction
from django.db.models import Model

from machines.errors import DayrollError, InputError
from scheduling.log.rebuilding.folding import Progress
from scheduling.log.rebuilding.plain_sql import ran

PREFIX = "dayroll_again_"
# So long may nobody append while those who read the tables come to an end, milliseconds; then it is tried again.
WAITS_MS = 100

_OWNED = "SELECT pg_has_role(relowner, 'MEMBER') FROM pg_class WHERE oid = %s::regclass"
# Views and materialized views that somebody made of these tables: they would go on showing the rows of before, and be
# taken away with them.
_SHOWN_BY = """SELECT DISTINCT ev_class::regclass::text FROM pg_depend JOIN pg_rewrite ON pg_rewrite.oid = objid
    WHERE classid = 'pg_rewrite'::regclass AND refclassid = 'pg_class'::regclass
    AND refobjid = %s::regclass AND ev_class <> refobjid ORDER BY 1"""
_MAY_MAKE = "SELECT has_database_privilege(current_database(), 'CREATE')"
_INDEXES = """SELECT relname, pg_get_indexdef(indexrelid), conname, contype
    FROM pg_index JOIN pg_class ON pg_class.oid = indexrelid
    LEFT JOIN pg_constraint ON conindid = indexrelid AND conrelid = indrelid AND contype IN ('p', 'u')
    WHERE indrelid = %s::regclass ORDER BY relname"""
_RIGHTS = """SELECT COALESCE(quote_ident(rolname), 'PUBLIC'), privilege_type, is_grantable
    FROM pg_class, aclexplode(relacl) LEFT JOIN pg_roles ON pg_roles.oid = grantee
    WHERE pg_class.oid = %s::regclass AND grantee <> relowner"""
_OWNER = """SELECT quote_ident(rolname) FROM pg_class JOIN pg_roles ON pg_roles.oid = relowner
    WHERE pg_class.oid = %s::regclass"""
_LEFT = "SELECT nspname FROM pg_namespace WHERE starts_with(nspname, %s)"


class PostgreSQLTables:
    """See `scheduling.log.rebuilding.standing_tables.Standing`."""

    def __init__(self, tables: Sequence[type[Model]], token: str, using: str) -> None:
        self._names = [table._meta.db_table for table in tables]
        self._beside, self._between = f"{PREFIX}{token}", f"{PREFIX}{token}_between"
        self._connection: Any = connections[using]
        self._live = str(self._value("SELECT current_schema()"))

    def require_may(self) -> None:
        """Raise an InputError unless whoever runs this owns the tables and may make schemas, and no view of somebody's
        own stands on them."""
        owned = all(self._value(_OWNED, f"{self._live}.{name}") for name in self._names)
        if not owned or not self._value(_MAY_MAKE):
            raise InputError(
                "role",
                f"{self._value('SELECT current_user')} cannot put {', '.join(self._names)} right: it does not own them,"
                " or may not make schemas in the database",
                "run `dayroll log rebuild` as the owner, as migrations are; nothing was changed",
            )
        for name in self._names:
            if shown := [view for (view,) in self._execute(_SHOWN_BY, f"{self._live}.{name}")]:
                raise InputError(
                    name,
                    f"{', '.join(shown)} stands on it, and would show what was there before",
                    "drop it, run this, and make it again; nothing was changed",
                )

    def fill(self, progress: Progress) -> None:
        """Make them with the twins' rows; nobody waits for it."""
        with transaction.atomic(using=self._connection.alias):
            for schema in (self._beside, self._between):
                self._execute(f"CREATE SCHEMA {schema}")
            for number, name in enumerate(self._names, 1):
                self._fill(name, f"{self._live}.{name}", f"{self._beside}.{name}")
                progress("tables laid beside the live ones", number, len(self._names))

    def _fill(self, name: str, live: str, ours: str) -> None:
        self._execute(f"CREATE TABLE {ours} (LIKE {live} INCLUDING ALL EXCLUDING INDEXES)")
        self._execute(f"INSERT INTO {ours} SELECT * FROM pg_temp.{name}")
        for index, made_by, constraint, kind in self._execute(_INDEXES, live):
            self._execute(made_by.replace(f" ON {live} ", f" ON {ours} ", 1))
            if constraint is not None:
                meant = "PRIMARY KEY" if kind == "p" else "UNIQUE"
                self._execute(f'ALTER TABLE {ours} ADD CONSTRAINT "{constraint}" {meant} USING INDEX "{index}"')
        for role, right, may_give in self._execute(_RIGHTS, live):
            self._execute(f"GRANT {right} ON {ours} TO {role}{' WITH GRANT OPTION' if may_give else ''}")
        self._execute(f"ALTER TABLE {ours} OWNER TO {self._value(_OWNER, live)}")
        self._execute(f"ANALYZE {ours}")

    def exchange(self) -> None:
        """Let them and the live tables change places, within a transaction.

        Raises:
            OperationalError: somebody reads a table, or would wait for us as we for them; try again.
            DayrollError: ours are gone.
        """
        if self._value("SELECT to_regnamespace(%s) IS NULL", self._beside):
            raise DayrollError(
                f"{self._beside}: gone, as another rebuild has begun meanwhile", "let one end, then run it again"
            )
        self._execute(f"SET LOCAL lock_timeout = {WAITS_MS}")
        self._execute(f"LOCK TABLE {', '.join(f'{self._live}.{name}' for name in self._names)}")
        self._execute("SET LOCAL lock_timeout TO DEFAULT")
        for name in self._names:
            for taken, put in (
                (self._live, self._between),
                (self._beside, self._live),
                (self._between, self._beside),
            ):
                self._execute(f"ALTER TABLE {taken}.{name} SET SCHEMA {put}")

    def read_anew(self) -> None:
        """Nothing was remembered."""

    def clear(self) -> None:
        """Take away every table of this kind, also what others left that were ended in between."""
        for (schema,) in self._execute(_LEFT, PREFIX):
            self._execute(f"DROP SCHEMA IF EXISTS {schema} CASCADE")

    def _value(self, sql: str, *parameters: Any) -> Any:
        return self._execute(sql, *parameters)[0][0]

    def _execute(self, sql: str, *parameters: Any) -> list[tuple[Any, ...]]:
        return ran(self._connection, sql, *parameters)
