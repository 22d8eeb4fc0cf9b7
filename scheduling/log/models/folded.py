"""What all views that are folded from the log have in common.

A view's row is named by what its first event named, never by a counter, so that folding again gives the same row. The
references between views are not enforced by the database: each view can be dropped and folded alone.
"""

from __future__ import annotations

from typing import Any

from django.db import models
from django.db.models.base import ModelState
from django.utils.functional import cached_property


def reference(to: str, **options: Any) -> Any:
    """A reference to a row of another view, by the name of its model."""
    return models.ForeignKey(to, on_delete=models.DO_NOTHING, db_constraint=False, related_name="+", **options)


class Folded(models.Model):
    """A row of a view. Folding makes very many: what Django keeps beside a row is made when somebody asks for it."""

    class Meta:
        abstract = True

    @cached_property
    def _state(self) -> ModelState:  # type: ignore[override]  # it can be set, as any cached property
        return ModelState()
