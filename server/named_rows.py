"""Rows that a command line names."""

from __future__ import annotations

from typing import TypeVar

from django.db.models import Model

from machines.errors import DayrollError

Row = TypeVar("Row", bound=Model)


def row_named(model: type[Row], id: str) -> Row:
    """The row with an id.

    Raises:
        DayrollError: there is none; names those that there are.
    """
    row = model._default_manager.filter(pk=id).first()
    if row is None:
        known = ", ".join(model._default_manager.order_by("pk").values_list("pk", flat=True)[:20]) or "none yet"
        raise DayrollError(f"there is no {model.__name__.lower()} {id!r}", f"there are: {known}")
    return row
