"""Machines, and the codes by which boards take them over."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from django.http import Http404
from django.shortcuts import get_object_or_404
from drf_spectacular.utils import OpenApiParameter
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from machines.model.calibration import Calibration
from machines.serialization import structure, unstructure
from scheduling.commands.calibration import preview_calibration
from scheduling.log.models import Heartbeat, Machine
from scheduling.paper.next_passage import Passage, PassageQuery, next_passage
from scheduling.queries.calibration import calibrate
from scheduling.queries.machine_context import machine_context
from scheduling.queries.runs import knife_is_armed, knife_is_armed_by
from server import wiring
from server.api.base_views import ApiView, Item, asked_for, attribution
from server.api.changes import ORDERED_WITH
from server.api.conditional import Replaced, require_match, tag_of
from server.api.queries import number_reader, query_value, whole_reader
from server.api.serializers import Row, Stored


class MachineRows(serializers.ListSerializer[Any]):
    """Machines that are shown together: the newest words of their nodes are read in one go."""

    def to_representation(self, data: Any) -> list[Any]:
        """Each of them."""
        rows = list(data)
        found = Heartbeat.objects.filter(machine_id__in=[row.id for row in rows])
        assert isinstance(self.child, MachineRow), "whose Meta names this"
        self.child.heartbeats = {row.machine_id: row for row in found}
        return super().to_representation(rows)


class MachineRow(Row):
    """A machine, as its node and the watch told it, and as it was measured: null while nobody measured.

    Attributes:
        heartbeats: the newest words of nodes, by machine, where several are shown; None where one is.
    """

    calibration = Stored(Calibration | None)
    heartbeats: Mapping[str, Heartbeat] | None = None

    def to_representation(self, instance: Machine) -> dict[str, Any]:
        """As it stands, its knife is never said to be armed where its node's newest word says otherwise."""
        said: dict[str, Any] = super().to_representation(instance)
        if not instance.hold:  # it has still to settle what it missed, and goes on by itself
            said["held_since"] = None
        if not instance._state.adding:  # a row of the past is not in the table, and telemetry knows no past
            words = self.heartbeats
            said["knife_armed"] = (
                knife_is_armed(instance) if words is None else knife_is_armed_by(instance, words.get(instance.id))
            )
        return said

    class Meta:
        list_serializer_class = MachineRows
        model = Machine
        fields = (
            "id",
            "name",
            "venue",
            "profile",
            "epoch",
            "accepted_through",
            "knife_armed",
            "conditions",
            "silent_since",
            "paper_position",
            "last_reported_at",
            "hold",
            "held_since",
            "stopped_at",
            "calibration",
            "refused_since",
            "retired_at",
        )


class HeartbeatRow(Row):
    """The newest word from a machine's node."""

    class Meta:
        model = Heartbeat
        fields = ("heard_at", "status")


class MachineHeartbeat(Item):
    """The newest word from a machine's node: telemetry, overwritten by the next."""

    queryset = Heartbeat.objects.all()
    serializer_class = HeartbeatRow


class MachineCalibration(Replaced):
    """What was measured of a machine after it was set up."""

    command = staticmethod(calibrate)
    reads, serializer_class, held = Calibration, MachineRow, Calibration | None
    ordered_with: ClassVar = {name: ORDERED_WITH[name] for name in ("preview", "If-Match")}

    def stands(self, pk: str) -> Any:
        """What was measured, as it stands."""
        return get_object_or_404(Machine, pk=pk).calibration

    def put(self, request: Request, pk: str) -> Response:
        """Keep what was measured, in place of all that was measured before; the node takes it up with its next work.

        Print the feed ruler, the nozzle check and the knife scale (`dayroll pattern`), and read them
        (`dayroll reading`). What is left out is taken to be as the profile says. With `preview` it is told what would
        follow.
        """
        machine = get_object_or_404(Machine, pk=pk)
        by, measured = attribution(request, machine.venue_id), structure(request.data, Calibration)
        if asked_for(request, "preview"):
            require_match(request, tag_of(machine.calibration))
            return Response(unstructure(preview_calibration(machine, measured)))
        calibrate(machine.id, measured, by, check=lambda row: require_match(request, tag_of(row.calibration)))
        machine.refresh_from_db()
        return self.shown(MachineRow(machine).data, machine.calibration)


PLACES = {
    "longitude": OpenApiParameter("longitude", float, description="Degrees from -180 to 180, east positive."),
    "phase": OpenApiParameter("phase", float, description="Of the turn, from 0 to below 1."),
    "column": OpenApiParameter("column", int, description="Of the turn, from 0."),
}


def place_asked(request: Request) -> PassageQuery:
    """Which place of the picture a query names.

    Raises:
        InputError: none, more than one, or one that cannot be.
    """
    return PassageQuery(
        longitude=query_value(request, "longitude", number_reader("longitude"), None),
        phase=query_value(request, "phase", number_reader("phase"), None),
        column=query_value(request, "column", whole_reader("column"), None),
    )


class MachineNext(ApiView):
    """When a place of the picture comes round next."""

    parameters = tuple(PLACES)
    described: ClassVar = PLACES
    shows = Passage

    def get(self, request: Request, pk: str) -> Response:
        """Under the head, and then at the knife; give one of the three.

        A longitude is that of the map, where the picture is one; otherwise that of the place which has the Sun, the
        Moon or the March equinox overhead. Each span is that of a burst, which is laid at once, at its beginning.
        """
        machine = get_object_or_404(Machine, pk=pk)
        found = next_passage(machine_context(machine, wiring.now()), place_asked(request))
        if found is None:
            raise Http404(f"No run of {machine.id} that is planned comes to that from now on.")
        return Response(unstructure(found))
