"""A run as it was at a past instant."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from django.http import Http404
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from machines.errors import InputError
from machines.serialization import format_instant
from scheduling.log.models import Strip
from scheduling.log.moment import AsOf
from scheduling.log.projecting.as_of import RunThen, run_at
from scheduling.sky.civil import instant_in_words
from server.api.base_views import ApiView
from server.api.outages import OutageRow
from server.api.past import asked_instant
from server.api.queries import query_value, read_column
from server.api.runs import RunRow, SegmentRow
from server.api.serializers import Row


class StripRow(Row):
    """The knife came to a strip's boundary."""

    class Meta:
        model = Strip
        fields = ("boundary", "paper_position", "made", "why", "at")


class StateRow(serializers.Serializer[Any]):
    """A run with its segments, its strips and its outages, as they were."""

    run = RunRow(read_only=True)
    segments = SegmentRow(many=True, read_only=True)
    strips = StripRow(many=True, read_only=True)
    outages = OutageRow(many=True, read_only=True)


def state_data(state: RunThen) -> dict[str, Any]:
    """What `StateRow` makes of a run then.

    A run has segments by the ten thousand; REST framework would take longer over them than folding the events did.
    """
    return {
        "run": RunRow(state.run).data,
        "segments": _plain(state.segments, SegmentRow),
        "strips": _plain(state.strips, StripRow),
        "outages": OutageRow(state.outages, many=True).data,
    }


def _plain(rows: Iterable[Any], serializer: type[Row]) -> list[dict[str, Any]]:
    """Rows as a serializer gives them that only names columns, none of its own making."""
    model: Any = serializer.Meta.model
    columns = [(name, model._meta.get_field(name).attname) for name in serializer.Meta.fields]
    return [{name: _said(getattr(row, column)) for name, column in columns} for row in rows]


def _said(value: Any) -> Any:
    return format_instant(value) if isinstance(value, datetime) else value


class RunState(ApiView):
    """What had happened with a run ``at`` an instant, from all that is known now or from what was ``known_by`` another.

    A node that was cut off tells late: what it printed on Tuesday and told on Thursday had happened at Tuesday, and was
    not known by Tuesday. Of a run of years, all that it ever was is large: ``from_column`` leaves out what lies before.
    """

    parameters = ("at", "known_by", "from_column")
    serializer_class = StateRow

    def get(self, request: Request, run: str) -> Response:
        """The run as it was."""
        at = asked_instant(request, "at")
        if at is None:
            raise InputError("at", "missing", "give the instant, RFC 3339 in UTC, such as 2026-10-24T12:00:00Z")
        from_column = query_value(request, "from_column", read_column, None)
        moment = AsOf(happened_by=at, known_by=asked_instant(request, "known_by"))
        state = run_at(run, moment, from_column=from_column)
        if state is None:
            raise Http404(f"There was no run {run!r} at {instant_in_words(at)}.")
        return Response(state_data(state))
