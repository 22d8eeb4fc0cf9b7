"""What runs out when at a machine, and what parts of a run use up."""

from __future__ import annotations

from typing import ClassVar

from django.shortcuts import get_object_or_404
from drf_spectacular.utils import OpenApiParameter
from rest_framework.request import Request
from rest_framework.response import Response

from machines.errors import InputError
from machines.model.profile import IdleFiring
from machines.serialization import unstructure
from scheduling.log.models import Machine, Run
from scheduling.queries.machine_context import machine_context
from scheduling.queries.runs import machine_of
from scheduling.supplies.consumption import PartSupplies, part_supplies
from scheduling.supplies.forecast import Forecast, forecast
from server import wiring
from server.api.base_views import ApiView
from server.api.queries import number_reader, query_value, whole_reader
from server.heavy import TURNS

IDLE = ("idle_drops", "idle_every_s")
DESCRIBED = {
    "idle_drops": OpenApiParameter("idle_drops", int, description="Drops that each nozzle fires to stay open."),
    "idle_every_s": OpenApiParameter("idle_every_s", float, description="Seconds from one such firing to the next."),
    "turn": OpenApiParameter("turn", int, description="Of this turn, as the cycle counts: the `turn` of a forecast."),
    "segment": OpenApiParameter("segment", int, description="Of this segment: its `number`."),
}


class MachineForecast(ApiView):
    """Paper, ink, cuts and blades of a machine's run, and where its roll, its cartridge and its blade end."""

    parameters = IDLE
    described: ClassVar = DESCRIBED
    shows = Forecast

    def get(self, request: Request, pk: str) -> Response:
        """As things stand, each part counted from where its newest change was told at the machine.

        Ink of idle firing is as the profile says, or by both numbers of the question.
        """
        context = machine_context(get_object_or_404(Machine, pk=pk), wiring.now())
        idle = _idle(request)
        with TURNS.turn():
            return Response(unstructure(forecast(context, context.now, wiring.plates(), idle)))


class RunSupplies(ApiView):
    """Paper, ink, cuts and blades of a turn or a segment of a run."""

    parameters = ("turn", "segment", *IDLE)
    described: ClassVar = DESCRIBED
    shows = PartSupplies

    def get(self, request: Request, pk: str) -> Response:
        """What the run's columns of it use up when all are printed; the whole run's, where neither is named."""
        run = get_object_or_404(Run, pk=pk)
        context = machine_context(machine_of(run), wiring.now())
        turn, segment = (query_value(request, name, whole_reader(name), None) for name in ("turn", "segment"))
        idle = _idle(request)
        with TURNS.turn():
            return Response(unstructure(part_supplies(context, run, wiring.plates(), idle, turn=turn, segment=segment)))


def _idle(request: Request) -> IdleFiring | None:
    drops = query_value(request, "idle_drops", whole_reader("idle_drops"), None)
    every_s = query_value(request, "idle_every_s", number_reader("idle_every_s"), None)
    if drops is None and every_s is None:
        return None
    if drops is None:
        raise InputError("idle_drops", "missing", "give both numbers of idle firing, such as 50")
    if every_s is None:
        raise InputError("idle_every_s", "missing", "give both numbers of idle firing, such as 600")
    try:
        return IdleFiring(drops=drops, every_s=every_s)
    except InputError as error:
        raise InputError(f"idle_{error.field}", error.problem, error.remedy) from None
