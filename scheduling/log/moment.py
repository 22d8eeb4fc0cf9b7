"""Which facts count, where it is asked how things were; see `scheduling.log.projecting.as_of`."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.db.models import Q
from django.db.models.functions import Coalesce
from django.db.models.lookups import LessThanOrEqual


@dataclass(frozen=True, kw_only=True)
class AsOf:
    """Which facts count.

    Attributes:
        happened_by: those that happened by then, UTC; None for whenever.
        known_by: those that the server had been told by then, UTC; None for all that is known now.
    """

    happened_by: datetime | None = None
    known_by: datetime | None = None

    @property
    def counts(self) -> Q:
        """The condition on `scheduling.log.models.Event`."""
        return self.where("happened_at", "said_at")

    @property
    def counts_of_few(self) -> Q:
        """The same condition on few events, which are found otherwise: so said that no database goes through all that
        ever happened by then."""
        where = Q()
        for name, instant in (("happened_at", self.happened_by), ("said_at", self.known_by)):
            if instant is not None:
                where &= Q(LessThanOrEqual(Coalesce(name, name), instant))
        return where

    def where(self, happened: str, said: str) -> Q:
        """The condition on a row that says in two fields when something happened, and when it was said."""
        where = Q()
        if self.happened_by is not None:
            where &= Q(**{f"{happened}__lte": self.happened_by})
        if self.known_by is not None:
            where &= Q(**{f"{said}__lte": self.known_by})
        return where
