"""What runs out when at a machine."""

from __future__ import annotations

from typing import ClassVar

from django.shortcuts import get_object_or_404
from drf_spectacular.utils import OpenApiParameter
from rest_framework.request import Request
from rest_framework.response import Response

from machines.errors import InputError
from machines.profile import IdleFiring
from machines.structure import unstructure
from scheduling.forecast import Forecast, forecast
from scheduling.log.models import Machine
from server import wiring
from server.api.doors import Door
from server.api.queries import asked, number_reader

IDLE = ("idle_drops", "idle_every_s")


class MachineForecast(Door):
    """Paper, ink, cuts and blades of a machine's run, and the end of its roll."""

    parameters = IDLE
    described: ClassVar = {
        "idle_drops": OpenApiParameter("idle_drops", int, description="Drops that each nozzle fires to stay open."),
        "idle_every_s": OpenApiParameter(
            "idle_every_s", float, description="Seconds from one such firing to the next."
        ),
    }
    shows = Forecast

    def get(self, request: Request, pk: str) -> Response:
        """As things stand. Ink of idle firing only where both of its numbers are given."""
        machine = get_object_or_404(Machine, pk=pk)
        return Response(unstructure(forecast(machine, wiring.now(), wiring.plates(), _idle(request))))


def _idle(request: Request) -> IdleFiring | None:
    drops, every_s = (asked(request, name, number_reader(name), None) for name in IDLE)
    if drops is None and every_s is None:
        return None
    for name, value, remedy in (("idle_drops", drops, "such as 50"), ("idle_every_s", every_s, "such as 600")):
        if value is None:
            raise InputError(name, "missing", f"give both numbers of idle firing, {remedy}")
    if drops != int(drops):
        raise InputError("idle_drops", f"{drops} drops", "give a whole number")
    try:
        return IdleFiring(drops=int(drops), every_s=every_s)
    except InputError as error:
        raise InputError(f"idle_{error.field}", error.problem, error.remedy) from None
