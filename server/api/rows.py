"""Rows of the views as JSON."""

from __future__ import annotations

from typing import Any, ClassVar

from rest_framework import serializers

from scheduling.log.fields import CanonicalJSON


class Stored(serializers.JSONField):
    """A column that holds a dataclass as JSON.

    Args:
        dataclass: which one; the API's description refers to its schema.
    """

    def __init__(self, dataclass: Any, **options: Any) -> None:
        super().__init__(read_only=True, **options)
        self.dataclass = dataclass


class Row(serializers.ModelSerializer[Any]):
    """A row as it stands."""

    serializer_field_mapping: ClassVar[dict[Any, Any]] = {
        **serializers.ModelSerializer.serializer_field_mapping,
        CanonicalJSON: serializers.JSONField,
    }
