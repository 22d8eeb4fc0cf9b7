"""Notices: what a person should know. They are raised and cleared by events; nobody adds one here."""

from __future__ import annotations

from scheduling.log.models import Notice
from server.api.doors import Item, List
from server.api.rows import Row


class NoticeRow(Row):
    """A notice; open until ``cleared_at``."""

    class Meta:
        model = Notice
        fields = ("id", "machine", "kind", "said", "raised_at", "cleared_at")
        read_only_fields = fields


class Notices(List):
    """The notices."""

    queryset = Notice.objects.all()
    serializer_class = NoticeRow


class OneNotice(Item):
    """A notice."""

    queryset = Notice.objects.all()
    serializer_class = NoticeRow
