"""Sources: what can be printed."""

from __future__ import annotations

from machines.dot_gain import ToneCurve
from machines.pictures import Picture
from scheduling.log.models import Source
from scheduling.orders import AddSource
from server.api.doors import Collection, Item
from server.api.rows import Row, Stored


class SourceRow(Row):
    """A source."""

    picture = Stored(Picture)
    curve = Stored(ToneCurve | None)

    class Meta:
        model = Source
        fields = ("id", "name", "picture", "upload", "method", "curve")
        read_only_fields = fields


class Sources(Collection):
    """The sources, and adding one."""

    queryset = Source.objects.all()
    serializer_class = SourceRow
    command = AddSource
    detail = "source"


class OneSource(Item):
    """A source."""

    queryset = Source.objects.all()
    serializer_class = SourceRow
