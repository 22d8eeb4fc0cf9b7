"""A role of PostgreSQL for the server to run as, which has no right to change or empty the table of events.

The triggers (`scheduling.log.integrity.append_only`) stop whoever does not mean to; the owner of the table could still
drop them. So a fleet's server runs as a role that owns nothing: it may read events and add to them, and no more. The
same holds of what people wrote beside them. Migrations, `dayroll log seal`, `dayroll log close` and `dayroll log blot`
change the tables or their triggers, and `dayroll log rebuild` puts others in their place where views differ: all are
run as the owner.
"""

from __future__ import annotations

import re
from typing import Any

from django.db import transaction
from django.db.backends.base.base import BaseDatabaseWrapper

from machines.errors import InputError
from scheduling.log.integrity.append_only import TABLE
from scheduling.log.models import Remark

# What is only ever added to, and what it is called in a sentence.
ADDED_TO = {TABLE: "the events", Remark._meta.db_table: "what people wrote"}
NAME = re.compile(r"[a-z_][a-z0-9_]{0,62}")
# Written by nobody but migrations.
_READ_ONLY = ("django_migrations",)
_EXCESS = """SELECT privilege FROM unnest(ARRAY['UPDATE', 'DELETE', 'TRUNCATE', 'TRIGGER', 'REFERENCES']) AS privilege
    WHERE has_table_privilege(%s, %s, privilege)"""
_OWNS = """SELECT rolname FROM pg_roles JOIN pg_class ON relowner = pg_roles.oid
    WHERE pg_class.oid = %s::regclass AND pg_has_role(%s, rolname, 'MEMBER')"""


def statements(role: str, *, schema: str, database: str, new: bool) -> list[str]:
    """What gives the role its rights, in SQL, to be run by the owner of the tables.

    Args:
        role: its name.
        schema: of the tables.
        database: in which it may make temporary tables, for folding again.
        new: whether to make the role; it has no password until somebody gives it one.

    Raises:
        InputError: such a name would have to be quoted.
    """
    if NAME.fullmatch(role) is None:
        raise InputError("role", f"{role!r} is no plain name", "give letters a to z, digits and underscores")
    sql = [f"CREATE ROLE {role} LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE"] if new else []
    sql += [
        f'GRANT CONNECT, TEMPORARY ON DATABASE "{database}" TO {role}',
        f'GRANT USAGE ON SCHEMA "{schema}" TO {role}',
        f'GRANT SELECT, INSERT, UPDATE, DELETE ON ALL TABLES IN SCHEMA "{schema}" TO {role}',
        f'GRANT USAGE, SELECT ON ALL SEQUENCES IN SCHEMA "{schema}" TO {role}',
        # What later migrations make.
        f'ALTER DEFAULT PRIVILEGES IN SCHEMA "{schema}" GRANT SELECT, INSERT, UPDATE, DELETE ON TABLES TO {role}',
        f'ALTER DEFAULT PRIVILEGES IN SCHEMA "{schema}" GRANT USAGE, SELECT ON SEQUENCES TO {role}',
    ]
    for table in ADDED_TO:
        sql.append(f'REVOKE ALL ON "{schema}".{table} FROM {role}, PUBLIC')
        sql.append(f'GRANT SELECT, INSERT ON "{schema}".{table} TO {role}')
    for table in _READ_ONLY:
        sql.append(f'REVOKE INSERT, UPDATE, DELETE ON "{schema}".{table} FROM {role}')
    return sql


def prepare(connection: BaseDatabaseWrapper, role: str, password: str | None = None) -> list[str]:
    """Make the role if there is none, give it its rights, and see that it has no others; all of it or nothing.

    Args:
        connection: as the owner of the tables.
        role: its name.
        password: to give it; None leaves it with the one that it has, or with none.

    Returns:
        The SQL that was run, but for the password's.

    Raises:
        InputError: not PostgreSQL; or the role could change an event after all.
    """
    if connection.vendor != "postgresql":
        raise InputError("database", "SQLite has no roles", "keep the file to the server's own account")
    with transaction.atomic(using=connection.alias), connection.cursor() as cursor:
        cursor.execute("SELECT current_schema(), current_database(), to_regrole(%s) IS NULL", [role])
        schema, database, new = cursor.fetchone()
        sql = statements(role, schema=schema, database=database, new=new)
        for statement in sql:
            cursor.execute(statement)
        if password is not None:
            _give_password(connection, role, password)
        _require_powerless(cursor, role)
    return sql


def _give_password(connection: BaseDatabaseWrapper, role: str, password: str) -> None:
    """As what the server keeps of it, so that no log of statements ever shows the password itself."""
    if not password:
        raise InputError("password", "it is empty", "set one, or leave the option away")
    kept = connection.connection.pgconn.encrypt_password(password.encode(), role.encode(), b"scram-sha-256").decode()
    with connection.cursor() as cursor:
        cursor.execute(f"ALTER ROLE {role} PASSWORD %s", [kept])


def _require_powerless(cursor: Any, role: str) -> None:
    """Whatever it has by membership or as a superuser counts as well."""
    for table, meant in ADDED_TO.items():
        for question, parameters, has in (
            (_OWNS, [table, role], f"is a member of the owner of {meant}:"),
            (_EXCESS, [role, table], f"still has on {meant} the right to"),
        ):
            cursor.execute(question, parameters)
            if found := [name for (name,) in cursor.fetchall()]:
                problem = f"{role} {has} {', '.join(found)}"
                raise InputError("role", problem, "choose another name, or take that from it first")
