"""Rows of the views as JSON."""

from __future__ import annotations

from copy import deepcopy
from functools import cache
from typing import Any, ClassVar

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from scheduling.log.fields import CanonicalJSON
from scheduling.log.remarks import text_of


class Stored(serializers.JSONField):
    """A column that holds a dataclass as JSON.

    Args:
        dataclass: which one; the API's description refers to its schema.
    """

    def __init__(self, dataclass: Any, **options: Any) -> None:
        super().__init__(read_only=True, **options)
        self.dataclass = dataclass


@extend_schema_field({"type": ["string", "null"]})
class Written(serializers.Field[str | None, Any, str | None, Any]):
    """What a person wrote in his own words; null where he wrote nothing, or it was blotted out.

    Args:
        stood: column in which it stands, where it may have been written into the event itself.
        remark: column with its digest, where it lies beside the log.
    """

    def __init__(self, stood: str | None, remark: str) -> None:
        super().__init__(read_only=True, source="*")
        self.stood, self.remark = stood, remark

    def to_representation(self, row: Any) -> str | None:
        """The words."""
        stood = None if self.stood is None else getattr(row, self.stood)
        words: str | None = text_of(getattr(row, self.remark)) if stood is None else stood
        return words


@extend_schema_field({"type": ["object", "null"], "additionalProperties": True})
class MaybeObject(serializers.JSONField):
    """A column that holds a JSON object, or nothing."""


class Row(serializers.ModelSerializer[Any]):
    """A row as it stands."""

    serializer_field_mapping: ClassVar[dict[Any, Any]] = {
        **serializers.ModelSerializer.serializer_field_mapping,
        CanonicalJSON: serializers.JSONField,
    }

    def get_extra_kwargs(self) -> dict[str, dict[str, Any]]:
        """Nothing is written through a row."""
        return {name: {"read_only": True} for name in self.Meta.fields}

    def get_fields(self) -> dict[str, Any]:
        """Copies of the fields, which are worked out from the model once and not for each answer."""
        return deepcopy(_fields_of(type(self)))


@cache
def _fields_of(row: type[Row]) -> dict[str, Any]:
    return super(Row, row()).get_fields()
