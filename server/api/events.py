"""The log, read from the beginning: every fact in the order in which it was written."""

from __future__ import annotations

import re
from typing import Any

from django.db.models import QuerySet

from machines.errors import InputError
from scheduling.log.events import KINDS
from scheduling.log.models import Event
from server.api.doors import List
from server.api.rows import Row

STREAM = re.compile(r"[a-z]+/[a-z0-9-]{1,40}")


class EventRow(Row):
    """A fact."""

    class Meta:
        model = Event
        fields = (
            "position",
            "stream",
            "version",
            "kind",
            "schema",
            "data",
            "said_at",
            "happened_at",
            "actor",
            "request",
            "digest",
        )
        read_only_fields = fields


def _check(stream: str | None, kind: str | None) -> None:
    if stream is not None and not STREAM.fullmatch(stream):
        raise InputError("stream", f"{stream!r} is no stream", "give kind/id, such as machine/ours")
    if kind is not None and kind not in KINDS:
        raise InputError("kind", f"{kind!r} is no kind of event", f"give one of: {', '.join(KINDS)}")


class Events(List):
    """The events, of one ``stream`` or one ``kind`` where asked for."""

    parameters = (*List.parameters, "stream", "kind")
    queryset = Event.objects.all()
    serializer_class = EventRow
    key = "position"

    def get_queryset(self) -> QuerySet[Any]:
        """Those that the query asks for."""
        stream, kind = (self.request.query_params.get(name) for name in ("stream", "kind"))
        _check(stream, kind)
        events = Event.objects.all()
        events = events if stream is None else events.filter(stream=stream)
        return events if kind is None else events.filter(kind=kind)
