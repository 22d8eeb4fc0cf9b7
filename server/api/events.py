"""The log, read from the beginning: every fact in the order in which it was written."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any, ClassVar

from django.db.models import Q, QuerySet
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter

from machines.errors import InputError
from machines.serialization import parse_instant
from scheduling.log.events import EVENT_CLASSES
from scheduling.log.models import Event, Run
from server.api.base_views import List
from server.api.serializers import Row

STREAM = re.compile(r"[a-z]+/[a-z0-9-]{1,120}")
ID = re.compile(r"[a-z0-9-]{1,120}")
DATETIME = OpenApiTypes.DATETIME


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


def _stream(stream: str) -> Q:
    if not STREAM.fullmatch(stream):
        raise InputError("stream", f"{stream!r} is no stream", "give kind/id, such as machine/ours")
    return Q(stream=stream)


def _kind(kind: str) -> Q:
    if kind not in EVENT_CLASSES:
        raise InputError("kind", f"{kind!r} is no kind of event", f"give one of: {', '.join(EVENT_CLASSES)}")
    return Q(kind=kind)


def _machine(machine: str) -> Q:
    _require_id("machine", machine)
    return Q(stream=f"machine/{machine}") | Q(run__in=Run.objects.filter(machine=machine).values("id"))


def _run(run: str) -> Q:
    _require_id("run", run)
    return Q(run=run)


def _require_id(name: str, text: str) -> None:
    if not ID.fullmatch(text):
        raise InputError(name, f"{text!r} is no id", "give letters a to z, digits and hyphens, such as wren-1")


def _instant(lookup: str, name: str) -> Callable[[str], Q]:
    return lambda text: Q(**{lookup: parse_instant(text, name)})


# What a query may ask for: the condition, the type of its value and what the API's description says of it.
FILTERS: dict[str, tuple[Callable[[str], Q], Any, str]] = {
    "stream": (_stream, str, "Only of this stream, `kind/id`."),
    "kind": (_kind, str, "Only of this kind."),
    "machine": (_machine, str, "Only what this machine told or was told, its runs' events among them."),
    "run": (_run, str, "Only about this run, by whomever it was said."),
    "happened_from": (_instant("happened_at__gte", "happened_from"), DATETIME, "Only what happened then or later."),
    "happened_to": (_instant("happened_at__lt", "happened_to"), DATETIME, "Only what happened before."),
    "said_from": (_instant("said_at__gte", "said_from"), DATETIME, "Only what the server was told then or later."),
    "said_to": (_instant("said_at__lt", "said_to"), DATETIME, "Only what the server was told before."),
}


class Events(List):
    """The events that meet every condition of the query, in the order in which they were written."""

    parameters = (*List.parameters, *FILTERS)
    described: ClassVar = {
        name: OpenApiParameter(name, type_, description=description)
        for name, (_, type_, description) in FILTERS.items()
    }
    queryset = Event.objects.all()
    serializer_class = EventRow
    key = "position"

    def get_queryset(self) -> QuerySet[Any]:
        """Those that the query asks for."""
        where = Q()
        for name, (condition, *_) in FILTERS.items():
            text = self.request.query_params.get(name)
            if text is not None:
                where &= condition(text)
        return Event.objects.filter(where)
