"""The kind of column that holds JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import orjson
from django.db import models
from django.db.backends.base.base import BaseDatabaseWrapper

from scheduling.log.codec.canonical_json import canonical

if TYPE_CHECKING:
    TextField = models.TextField[Any, Any]
else:
    TextField = models.TextField


class CanonicalJSON(TextField):
    """JSON values, kept as text in one form: equal values are equal bytes, on SQLite and on PostgreSQL alike.

    Its inside cannot be queried.
    """

    # What the type checker takes a model's attribute of this kind to be.
    _pyi_private_set_type: Any
    _pyi_private_get_type: Any

    def from_db_value(self, value: str | None, expression: Any, connection: BaseDatabaseWrapper) -> Any:
        """What the text says."""
        return None if value is None else orjson.loads(value)

    def get_prep_value(self, value: Any) -> str | None:
        """The text."""
        return None if value is None else canonical(value)
