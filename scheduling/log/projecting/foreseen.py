"""A row as it would be after an event that nobody has said yet, by the very folds that would take it."""

from __future__ import annotations

from copy import deepcopy
from datetime import datetime
from typing import TypeVar

from django.db.models import Model

from scheduling.log.events import EVENT_KINDS, Event
from scheduling.log.projections import VIEWS
from scheduling.log.recorded import Recorded
from scheduling.log.rows.row_cache import Rows

Row = TypeVar("Row", bound=Model)


def foreseen(row: Row, stream: str, event: Event | None, at: datetime) -> Row:
    """What would become of a row; nothing is written.

    Args:
        row: as it stands, of a view that takes such events.
        stream: of which it is told.
        event: what would be said; None for nothing.
        at: when it would be, UTC.
    """
    if event is None:
        return row
    rows, model = Rows("default", complete=True), type(row)
    values = {field.attname: deepcopy(getattr(row, field.attname)) for field in model._meta.concrete_fields}
    rows.put(model, **values)
    fact = Recorded(0, stream, 0, EVENT_KINDS[type(event)], event, at, at, "", None, "")
    for view in VIEWS:
        if model in view.tables and type(event) in view.folds:
            view.folds[type(event)](rows, fact, event)
    found = rows.find(model, row.pk)
    return row if found is None else found
