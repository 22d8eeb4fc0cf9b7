"""Rows of a view in and out by their keys, in SQL that is put together once a table.

The same as Django's own queries do, without putting each together anew: a report of a node costs half a dozen of them,
what it asks every minute a few more, and folding again costs one for every row there is.

With rows made by Django, `bulk_create(update_conflicts=True)` and queries by key in place of this, in paired rounds
over 9,706 events (medians): one report takes 2.0 times as long on SQLite and 1.5 times on PostgreSQL, a hundred
together 5.5 and 2.6 times, a fold in memory 1.7, a rebuild 2.4 and 1.3.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import datetime
from functools import cache, partial
from operator import itemgetter
from typing import Any

from django.db import connections, models
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.models.expressions import Col

from scheduling.log.batched_sql import Statement
from scheduling.log.codec.canonical_json import canonical
from scheduling.log.event_records import text_of_instant
from scheduling.log.fields import CanonicalJSON

Convert = Callable[[Any], Any]


class Table:
    """A model's table in one database."""

    def __init__(self, model: type[models.Model], using: str) -> None:
        self._model = model
        self._using = using
        self._fields = model._meta.concrete_fields
        self._names = [str(field.attname) for field in self._fields]
        self.key: Callable[[dict[str, Any]], Any] = itemgetter(*(str(one.attname) for one in model._meta.pk_fields))
        """The primary key of a row's values; of several columns, a tuple."""
        self._makers = [
            (str(field.attname), field.default)
            for field in self._fields
            if field.has_default() and callable(field.default)
        ]
        self._defaults = {str(field.attname): field.get_default() for field in self._fields}
        self._size = len(self._defaults)
        key = [str(field.column) for field in model._meta.pk_fields]
        columns = [str(field.column) for field in self._fields]
        name, sets = model._meta.db_table, [column for column in columns if column not in key]
        self._every = f"SELECT {', '.join(columns)} FROM {name}"
        self._select = f"{self._every} WHERE {' AND '.join(f'{column} = %s' for column in key)}"
        self._is_sqlite = connections[using].vendor == "sqlite"
        self._upsert = (
            f"INSERT INTO {name} ({', '.join(columns)}) VALUES ({', '.join(['%s'] * len(columns))})"
            f" ON CONFLICT ({', '.join(key)}) DO UPDATE SET {', '.join(f'{one} = excluded.{one}' for one in sets)}"
        )
        self._delete = f"DELETE FROM {name} WHERE {' AND '.join(f'{column} = %s' for column in key)}"
        self._to_database = [
            (index, convert) for index, field in enumerate(self._fields) if (convert := self._to(field)) is not None
        ]
        self._from_database = [
            (index, convert) for index, field in enumerate(self._fields) for convert in self._from(field)
        ]

    def row(self, values: dict[str, Any]) -> Any:
        """A new row with these values, and the fields' defaults for the others.

        Django's own way to make one takes longer than all the rest of folding an event.

        Raises:
            TypeError: no such field.
        """
        row = self._defaults | values
        if len(row) != self._size:
            raise TypeError(f"{self._model.__name__} has no field {min(values.keys() - self._defaults.keys())!r}")
        for name, make in self._makers:
            if name not in values:
                row[name] = make()
        return self._made(row)

    def key_of(self, row: Any) -> Any:
        """The primary key of a row."""
        return self.key(row.__dict__)

    def values_of(self, row: Any) -> list[Any]:
        """What a row says, field by field; see `row_of`."""
        values = row.__dict__
        return [values[name] for name in self._names]

    def row_of(self, values: Iterable[Any]) -> Any:
        """A row that says this, field by field."""
        return self._made(dict(zip(self._names, values, strict=True)))

    def _made(self, values: dict[str, Any]) -> Any:
        row = object.__new__(self._model)
        row.__dict__ = values
        return row

    def find(self, key: Any) -> Any:
        """The row with a key, or None."""
        with connections[self._using].cursor() as cursor:
            cursor.execute(self._select, _values(key))
            found = cursor.fetchone()
        return None if found is None else self._read(found)

    def get(self, key: Any) -> Any:
        """The row with a key.

        Raises:
            DoesNotExist: of the model; there is none.
        """
        found = self.find(key)
        if found is None:
            raise self._model.DoesNotExist(f"{self._model.__name__} {key!r}")  # type: ignore[attr-defined]  # each has one of its own
        return found

    def where(self, condition: str, *values: Any) -> list[Any]:
        """The rows for which something holds.

        Args:
            condition: in SQL that both engines know, a ``%s`` for each value; it may go on with an order and a limit.
            values: instants, texts, numbers, and lists of JSON.
        """
        with connections[self._using].cursor() as cursor:
            cursor.execute(f"{self._every} WHERE {condition}", [self._asked(value) for value in values])
            return [self._read(found) for found in cursor.fetchall()]

    def _asked(self, value: Any) -> Any:
        if isinstance(value, list):
            return canonical(value)
        return text_of_instant(value) if self._is_sqlite and isinstance(value, datetime) else value

    def _read(self, found: Iterable[Any]) -> Any:
        values = list(found)
        for index, convert in self._from_database:
            values[index] = convert(values[index])
        return self.row_of(values)

    def write(self, rows: Iterable[models.Model]) -> None:
        """Insert rows, or write over those with the same keys."""
        lines = [self._line(row) for row in rows]
        with connections[self._using].cursor() as cursor:
            if len(lines) == 1:
                cursor.execute(self._upsert, lines[0])  # one trip less on PostgreSQL
            else:
                cursor.executemany(self._upsert, lines)

    def delete(self, keys: Iterable[Any]) -> None:
        """Delete the rows with some keys."""
        with connections[self._using].cursor() as cursor:
            cursor.executemany(self._delete, [_values(key) for key in keys])

    def statements(self, rows: Iterable[models.Model], gone: Iterable[Any] = ()) -> list[Statement]:
        """What `delete` of some keys and `write` do, to be run with others."""
        deletes: list[Statement] = [(self._delete, _values(key)) for key in gone]
        return [*deletes, *((self._upsert, self._line(row)) for row in rows)]

    def _line(self, row: models.Model) -> list[Any]:
        values = row.__dict__
        line = [values[name] for name in self._names]
        for index, convert in self._to_database:
            if line[index] is not None:
                line[index] = convert(line[index])
        return line

    def _to(self, field: models.Field[Any, Any]) -> Convert | None:
        if isinstance(field, CanonicalJSON):
            return canonical
        if isinstance(field, models.DateTimeField):
            return text_of_instant if self._is_sqlite else None
        return None

    def _from(self, field: models.Field[Any, Any]) -> Iterable[Convert]:
        column, connection = Col(self._model._meta.db_table, field), connections[self._using]
        for convert in (*connection.ops.get_db_converters(column), *field.get_db_converters(connection)):
            yield partial(_convert, convert, column, connection)


def _values(key: Any) -> list[Any]:
    """A primary key as values of its columns."""
    return [*key] if isinstance(key, tuple) else [key]


def _convert(convert: Any, column: Any, connection: BaseDatabaseWrapper, value: Any) -> Any:
    """A value by one of Django's converters, which take more than the value."""
    return convert(value, column, connection)


@cache
def table(model: type[models.Model], using: str) -> Table:
    """The table of a model. It keeps no connection: every thread has its own."""
    return Table(model, using)
