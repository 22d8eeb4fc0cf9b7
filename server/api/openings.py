"""Openings: doors open at an instant that a civil time or the sky names."""

from __future__ import annotations

from scheduling.commands.orders import FixOpening
from scheduling.log.models import Opening
from scheduling.log.projecting.as_of import AsOf, Page, opening_at, openings_at
from server.api.base_views import Collection
from server.api.past import PastItem, PastList
from server.api.serializers import Row


class OpeningRow(Row):
    """An opening."""

    class Meta:
        model = Opening
        fields = ("id", "venue", "name", "anchor", "opens_at")
        read_only_fields = fields


class Openings(PastList, Collection):
    """The openings, and fixing one."""

    queryset = Opening.objects.all()
    serializer_class = OpeningRow
    command = FixOpening
    detail = "opening"

    def as_they_were(self, moment: AsOf, part: Page) -> list[Opening]:
        """A part of the openings then."""
        return openings_at(moment, part)


class OneOpening(PastItem):
    """An opening, as it is or as it was."""

    queryset = Opening.objects.all()
    serializer_class = OpeningRow
    as_it_was = staticmethod(opening_at)
