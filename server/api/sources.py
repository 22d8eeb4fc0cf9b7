"""Sources: what can be printed."""

from __future__ import annotations

from machines.imaging.dot_gain import ToneCurve
from machines.imaging.pictures import Picture
from scheduling.commands.orders import AddSource
from scheduling.log.models import Source
from server.api.base_views import Collection, Item
from server.api.serializers import Row, Stored


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
