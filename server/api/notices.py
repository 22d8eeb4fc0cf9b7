"""Notices: what a person should know. They are raised and cleared by events; nobody adds one here."""

from __future__ import annotations

from scheduling.log.models import Notice
from scheduling.log.projecting.as_of import AsOf, Page, notices_at
from server.api.base_views import Item
from server.api.past import PastList
from server.api.serializers import Row


class NoticeRow(Row):
    """A notice; open until ``cleared_at``."""

    class Meta:
        model = Notice
        fields = ("id", "machine", "kind", "said", "raised_at", "cleared_at")
        read_only_fields = fields


class Notices(PastList):
    """The notices."""

    queryset = Notice.objects.all()
    serializer_class = NoticeRow

    def as_they_were(self, moment: AsOf, part: Page) -> list[Notice]:
        """A part of the notices then."""
        return notices_at(moment, part)


class OneNotice(Item):
    """A notice."""

    queryset = Notice.objects.all()
    serializer_class = NoticeRow
