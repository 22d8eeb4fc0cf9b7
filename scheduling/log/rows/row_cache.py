"""The rows that a fold works on: read when first asked for, kept in memory, written together at the end.

A fold neither knows nor cares whether its rows come from the live tables, from tables built beside them, or from
nowhere but memory, as when a past state is asked for.
"""

from __future__ import annotations

import operator
from collections.abc import Callable
from typing import Any, TypeVar

from django.db import models

from scheduling.log.batched_sql import Statement
from scheduling.log.rows.row_sql import Table, table

Row = TypeVar("Row", bound=models.Model)

_COMPARISONS: dict[str, Callable[[Any, Any], bool]] = {
    "": operator.eq,
    "ne": operator.ne,
    "lt": operator.lt,
    "gt": operator.gt,
}
_SIGNS = {"": "=", "ne": "<>", "lt": "<", "gt": ">"}


class _Kept:
    """The rows of one table."""

    def __init__(self, table: Table) -> None:
        self.table = table
        self.rows: dict[Any, Any] = {}
        self.changed: dict[Any, Any] = {}
        self.gone: set[Any] = set()

    def write(self) -> None:
        """Write what changed."""
        if self.gone:
            self.table.delete(self.gone)
            self.gone = set()
        if self.changed:
            self.table.write(self.changed.values())
            self.changed = {}


class _Tables(dict[type[models.Model], _Kept]):
    """The rows of each table, which is added when it is first asked for."""

    def __init__(self, using: str) -> None:
        super().__init__()
        self._using = using

    def __missing__(self, model: type[models.Model]) -> _Kept:
        kept = self[model] = _Kept(table(model, self._using))
        return kept


class Rows:
    """Rows of the views.

    Args:
        using: alias of the database.
        complete: every row that exists is in memory; nothing has to be looked up. True when folding from nothing.
    """

    def __init__(self, using: str, *, complete: bool = False) -> None:
        self._using = using
        self._complete = complete
        self._kept = _Tables(using)

    def find(self, model: type[Row], key: Any) -> Row | None:
        """The row with a primary key, to be read; see `change`."""
        kept = self._kept[model]
        row: Row | None = kept.rows.get(key)
        if row is None and not self._complete and key not in kept.gone:
            row = kept.table.find(key)
            if row is not None:
                kept.rows[key] = row
        return row

    def change(self, model: type[Row], key: Any) -> Row | None:
        """The row with a primary key, to be changed in place."""
        kept = self._kept[model]
        row: Row | None = kept.rows.get(key) or self.find(model, key)
        if row is not None:
            kept.changed[key] = row
        return row

    def put(self, model: type[Row], **values: Any) -> Row:
        """A new row, or one that takes the place of the row with its key; what has no value here has its default."""
        kept = self._kept[model]
        row: Row = kept.table.row(values)
        key = kept.table.key(row.__dict__)
        kept.rows[key] = kept.changed[key] = row
        return row

    def drop(self, model: type[models.Model], **lookups: Any) -> None:
        """Rows that are to be no more; ``lookups`` as those of `change_where`."""
        kept = self._kept[model]
        for row in self.change_where(model, **lookups):
            key = kept.table.key_of(row)
            del kept.rows[key], kept.changed[key]
            kept.gone.add(key)

    def change_where(self, model: type[Row], **lookups: Any) -> list[Row]:
        """Rows to be changed in place, in the order of their keys.

        Args:
            model: which rows.
            lookups: fields: equal, as Django names it with ``__lt`` and ``__gt``, or other than, with ``__ne``.
        """
        kept = self._kept[model]
        key_of = kept.table.key_of
        if self._complete:
            rows = [row for row in kept.rows.values() if _matches(row, lookups)]
        else:
            kept.write()
            found = kept.table.where(*_asked(lookups))
            rows = [kept.rows.setdefault(key_of(row), row) for row in found]
        kept.changed.update((key_of(row), row) for row in rows)
        return sorted(rows, key=key_of)

    def all(self, model: type[Row], *, from_column: int | None = None) -> list[Row]:
        """The rows in memory, or at least those that end after a running column."""
        return list(self._kept[model].rows.values())

    def numbered_after(self, model: type[Row], number: int | None, count: int) -> list[Row]:
        """Rows among which are the lowest of those whose numbers, last in their keys, lie after one: so many, or all
        that there are."""
        return self.all(model)

    def touched(self) -> dict[type[models.Model], set[Any]]:
        """The primary keys of the rows that changed, or are no more, by their table."""
        return {model: kept.changed.keys() | kept.gone for model, kept in self._kept.items()}

    def write(self) -> None:
        """Write what changed."""
        for kept in self._kept.values():
            kept.write()

    def statements(self) -> list[Statement]:
        """What `write` does, to be run with others; they still count as changed."""
        every = self._kept.values()
        return [one for kept in every for one in kept.table.statements(kept.changed.values(), kept.gone)]

    def let_go(self, most: int) -> None:
        """Above so many rows in memory, write what changed and let go of all; they are looked up again when needed."""
        if sum(len(kept.rows) for kept in self._kept.values()) > most:
            self.write()
            self._kept.clear()
            self._complete = False


def _asked(lookups: dict[str, Any]) -> list[Any]:
    """Lookups as a condition in SQL, and its values."""
    conditions, values = [], []
    for lookup, wanted in lookups.items():
        name, _, comparison = lookup.partition("__")
        if wanted is None:
            conditions.append(f"{name} IS NULL")
        else:
            conditions.append(f"{name} {_SIGNS[comparison]} %s")
            values.append(wanted)
    return [" AND ".join(conditions), *values]


def _matches(row: models.Model, lookups: dict[str, Any]) -> bool:
    for lookup, wanted in lookups.items():
        name, _, comparison = lookup.partition("__")
        value = getattr(row, name)
        if value is None or wanted is None:
            if value is not wanted:
                return False
        elif not _COMPARISONS[comparison](value, wanted):
            return False
    return True
