"""Rows in memory that go on from a kept state, of which each part is read when it is first needed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, Protocol, TypeVar

from django.db import models

from scheduling.log.rows.row_cache import Rows

Row = TypeVar("Row", bound=models.Model)


class Earlier(Protocol):
    """A kept state. Each of its rows is given once; a question may be answered with more rows than were asked for."""

    def with_key(self, model: type[Row], key: Any) -> Iterable[Row]:
        """The row with a primary key, if it is there, and was not given."""

    def from_column(self, model: type[Row], column: int | None) -> Iterable[Row]:
        """All rows that end after a running column and were not given; whatever their columns for None."""

    def numbered_after(self, model: type[Row], number: int | None) -> Iterator[tuple[int, Iterable[Row]]]:
        """Rows whose numbers, last in their keys, lie after one, and others, little by little: below each first number
        that comes all were given."""


class EarlierRows(Rows):
    """Rows of the views, from a kept state on.

    Args:
        using: alias of the database.
        earlier: the state.
    """

    def __init__(self, using: str, earlier: Earlier) -> None:
        super().__init__(using, complete=True)
        self._earlier = earlier

    def find(self, model: type[Row], key: Any) -> Row | None:
        """The row with a primary key, to be read; see `change`."""
        if key not in self._kept[model].rows:
            self._bring(model, self._earlier.with_key(model, key))
        return super().find(model, key)

    def change_where(self, model: type[Row], **lookups: Any) -> list[Row]:
        """Rows to be changed in place, in the order of their keys; see `Rows.change_where`."""
        self._bring(model, self._earlier.from_column(model, lookups.get("end_column__gt")))
        return super().change_where(model, **lookups)

    def all(self, model: type[Row], *, from_column: int | None = None) -> list[Row]:
        """All rows, or at least those that end after a running column."""
        self._bring(model, self._earlier.from_column(model, from_column))
        return super().all(model)

    def numbered_after(self, model: type[Row], number: int | None, count: int) -> list[Row]:
        """At least so many of those whose numbers lie after one, and those the lowest; all where there are fewer."""
        for below, rows in self._earlier.numbered_after(model, number):
            self._bring(model, rows)
            numbers = (key[1] for key in self._kept[model].rows)
            if sum(one < below and (number is None or number < one) for one in numbers) >= count:
                break
        return super().all(model)

    def beside(self, model: type[Row], keys: Iterable[Any]) -> list[Row]:
        """Those in memory, with all that are kept together with rows of some primary keys."""
        for key in keys:
            self._bring(model, self._earlier.with_key(model, key))
        return super().all(model)

    def _bring(self, model: type[Row], rows: Iterable[Row]) -> None:
        """Take rows in as they stood, but for those that were changed or dropped meanwhile."""
        kept = self._kept[model]
        for row in rows:
            key = kept.table.key_of(row)
            if key not in kept.gone:
                kept.rows.setdefault(key, row)
