"""Temporary twins of the views' tables, with the same names.

An unqualified name means the temporary table where there is one, on SQLite (schema ``temp`` before ``main``) and on
PostgreSQL (``pg_temp`` before the search path). A temporary table belongs to one connection and goes with it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from django.db import connections
from django.db.models import Model

# So many keys of rows that differ are named.
MOST_NAMED_ROWS = 5


@dataclass(frozen=True)
class Difference:
    """Between a live table and its twin.

    Attributes:
        table: name.
        rows: how many rows are in one and not, with the same values, in the other.
        keys: of the first of them.
    """

    table: str
    rows: int
    keys: tuple[tuple[Any, ...], ...]


class Twins:
    """Twins of some tables in one connection."""

    def __init__(self, tables: Sequence[type[Model]], using: str) -> None:
        self._tables = tables
        self._connection = connections[using]
        self._live_schema = "main"

    @contextmanager
    def made(self) -> Iterator[None]:
        """The twins, empty, for as long as the block lasts."""
        if self._connection.vendor == "postgresql":
            self._live_schema = self._value("SELECT current_schema()")
        try:
            for table in self._tables:
                self._make(table._meta.db_table)
            yield
        finally:
            for table in self._tables:
                self._execute(f"DROP TABLE IF EXISTS {self._twin(table)}")

    def count(self, table: type[Model]) -> int:
        """How many rows the twin has."""
        return int(self._value(f"SELECT count(*) FROM {self._twin(table)}"))

    def compare(self, table: type[Model]) -> Difference | None:
        """What is in the live table or in the twin, and not in both; None where they are equal."""
        if self._equal(table):
            return None
        key = _key(table)
        differing = (
            f"SELECT {key} FROM {self._only_live(table)} AS only_live"
            f" UNION SELECT {key} FROM {self._only_twin(table)} AS only_twin"
        )
        rows = int(self._value(f"SELECT count(*) FROM ({differing}) AS differing"))
        return Difference(
            table._meta.db_table, rows, tuple(self._execute(f"{differing} ORDER BY {key} LIMIT {MOST_NAMED_ROWS}"))
        )

    def _equal(self, table: type[Model]) -> bool:
        """As many rows in both, and none that is in one only: no two rows of a table are the same."""
        counts = f"(SELECT count(*) FROM {self._live(table)}) = (SELECT count(*) FROM {self._twin(table)})"
        return bool(self._value(f"SELECT {counts} AND NOT EXISTS {self._only_twin(table)}"))

    def put_right(self, table: type[Model]) -> None:
        """Give the live table the twin's rows; rows that are equal are not touched."""
        key = _key(table)
        differing = f"SELECT {key} FROM {self._only_live(table)} AS only_live"
        self._execute(f"DELETE FROM {self._live(table)} WHERE ({key}) IN ({differing})")
        self._execute(f"INSERT INTO {self._live(table)} SELECT * FROM {self._only_twin(table)} AS only_twin")

    def _make(self, name: str) -> None:
        if self._connection.vendor == "postgresql":
            self._execute(f"CREATE TEMPORARY TABLE {name} (LIKE {self._live_schema}.{name} INCLUDING ALL)")
            return
        made_by = self._value("SELECT sql FROM main.sqlite_master WHERE type = 'table' AND name = %s", name)
        self._execute(re.sub(r"^CREATE TABLE", "CREATE TEMPORARY TABLE", made_by))

    def _live(self, table: type[Model]) -> str:
        return f"{self._live_schema}.{table._meta.db_table}"

    def _twin(self, table: type[Model]) -> str:
        schema = "pg_temp" if self._connection.vendor == "postgresql" else "temp"
        return f"{schema}.{table._meta.db_table}"

    def _only_live(self, table: type[Model]) -> str:
        return f"(SELECT * FROM {self._live(table)} EXCEPT SELECT * FROM {self._twin(table)})"

    def _only_twin(self, table: type[Model]) -> str:
        return f"(SELECT * FROM {self._twin(table)} EXCEPT SELECT * FROM {self._live(table)})"

    def _execute(self, sql: str, *parameters: Any) -> list[tuple[Any, ...]]:
        with self._connection.cursor() as cursor:
            cursor.execute(sql, parameters)
            return cursor.fetchall() if cursor.description else []

    def _value(self, sql: str, *parameters: Any) -> Any:
        return self._execute(sql, *parameters)[0][0]


def _key(table: type[Model]) -> str:
    return ", ".join(str(field.column) for field in table._meta.pk_fields)
