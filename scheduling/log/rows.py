"""The rows that a fold works on: read when first asked for, kept in memory, written together at the end.

A fold neither knows nor cares whether its rows come from the live tables, from tables built beside them, or from
nowhere but memory, as when a past state is asked for.
"""

from __future__ import annotations

import operator
from collections import defaultdict
from collections.abc import Callable
from typing import Any, TypeVar

from django.db import models

from scheduling.log.tables import table

Row = TypeVar("Row", bound=models.Model)

_COMPARISONS: dict[str, Callable[[Any, Any], bool]] = {"": operator.eq, "lt": operator.lt, "gt": operator.gt}


class Rows:
    """Rows of the views.

    Args:
        using: alias of the database.
        complete: every row that exists is in memory; nothing has to be looked up. True when folding from nothing.
    """

    def __init__(self, using: str, *, complete: bool = False) -> None:
        self._using = using
        self._complete = complete
        self._rows: defaultdict[type[models.Model], dict[Any, Any]] = defaultdict(dict)
        self._changed: defaultdict[type[models.Model], dict[Any, Any]] = defaultdict(dict)

    def find(self, model: type[Row], key: Any) -> Row | None:
        """The row with a primary key, to be read; see `change`."""
        row: Row | None = self._rows[model].get(key)
        if row is None and not self._complete:
            row = table(model, self._using).find(key)
            if row is not None:
                self._rows[model][key] = row
        return row

    def change(self, model: type[Row], key: Any) -> Row | None:
        """The row with a primary key, to be changed in place."""
        row = self.find(model, key)
        if row is not None:
            self._changed[model][key] = row
        return row

    def put(self, model: type[Row], **values: Any) -> Row:
        """A new row, or one that takes the place of the row with its key; what has no value here has its default."""
        its_table = table(model, self._using)
        row: Row = its_table.row(values)
        key = its_table.key_of(row)
        self._rows[model][key] = self._changed[model][key] = row
        return row

    def change_where(self, model: type[Row], **lookups: Any) -> list[Row]:
        """Rows to be changed in place, in the order of their keys.

        Args:
            model: which rows.
            lookups: fields, compared as Django names it: equal, or with ``__lt`` and ``__gt``.
        """
        known, key_of = self._rows[model], table(model, self._using).key_of
        if self._complete:
            rows = [row for row in known.values() if _matches(row, lookups)]
        else:
            self._write(model)
            found = model._default_manager.using(self._using).filter(**lookups)
            rows = [known.setdefault(key_of(row), row) for row in found]
        self._changed[model].update((key_of(row), row) for row in rows)
        return sorted(rows, key=key_of)

    def all(self, model: type[Row]) -> list[Row]:
        """The rows in memory."""
        return list(self._rows.get(model, {}).values())

    def write(self) -> None:
        """Write what changed."""
        for model in list(self._changed):
            self._write(model)

    def let_go(self, most: int) -> None:
        """Above so many rows in memory, write what changed and let go of all; they are looked up again when needed."""
        if sum(map(len, self._rows.values())) > most:
            self.write()
            self._rows.clear()
            self._complete = False

    def _write(self, model: type[models.Model]) -> None:
        changed = self._changed.pop(model, {})
        if changed:
            table(model, self._using).write(changed.values())


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
