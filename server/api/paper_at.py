"""What lies on a machine's paper at an instant, past or to come."""

from __future__ import annotations

from typing import ClassVar

from django.shortcuts import get_object_or_404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter
from rest_framework.request import Request
from rest_framework.response import Response

from machines.serialization import unstructure
from scheduling.answers.paper_at import paper_at, require_near
from scheduling.answers.paper_at_told import PaperTold, paper_at_told
from scheduling.log.models import Machine
from scheduling.queries.machine_context import machine_context
from server import wiring
from server.api.base_views import ApiView
from server.api.passages import ZONES, clocks_asked
from server.api.past import asked_instant


class MachineAt(ApiView):
    """What is under a machine's head at an instant, what hangs from there to its knife, and which strips were cut off
    by then."""

    parameters = ("time", "zones")
    described: ClassVar = {
        "time": OpenApiParameter("time", OpenApiTypes.DATETIME, description="The instant; now if not given."),
        "zones": ZONES,
    }
    shows = PaperTold

    def get(self, request: Request, pk: str) -> Response:
        """As it was reported, where that is past; as it is planned, where it is to come or was not told yet.

        A burst is laid at once, so what is due has the span of its bursts. `certainty` says how well all of it is
        known, in time and on the paper.
        """
        context = machine_context(get_object_or_404(Machine, pk=pk), wiring.now())
        at = asked_instant(request, "time") or context.now
        require_near(at, context.now, "time")
        return Response(unstructure(paper_at_told(paper_at(context, at), clocks_asked(request))))
