"""Every time that a place of the picture comes round, from one instant to another, by any clocks."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import ClassVar
from zoneinfo import ZoneInfo

from django.shortcuts import get_object_or_404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter
from rest_framework.request import Request
from rest_framework.response import Response

from machines.errors import InputError
from machines.serialization import unstructure
from scheduling.log.models import Machine
from scheduling.paper.passages_told import PassagesTold, passages_told
from scheduling.queries.machine_context import machine_context
from scheduling.sky.zones import zone
from server import wiring
from server.api.base_views import ApiView
from server.api.machines import PLACES, place_asked
from server.api.past import asked_instant

# As long as is told where nobody says until when, and the longest that is told at once.
USUAL, LONGEST = timedelta(days=31), timedelta(days=400)
MOST_CLOCKS = 8
ZONES = OpenApiParameter(
    "zones", str, description="Clocks by which it is told, too: IANA names, with commas between, 8 at most."
)


class MachinePassages(ApiView):
    """Every time that a place of the picture is laid from one instant to another, past or to come, by the plan."""

    parameters = (*PLACES, "from", "until", "zones")
    described: ClassVar = {
        **PLACES,
        "from": OpenApiParameter("from", OpenApiTypes.DATETIME, description="From when on; from now on if not given."),
        "until": OpenApiParameter(
            "until", OpenApiTypes.DATETIME, description="Until when; for 31 days if not given, 400 at most."
        ),
        "zones": ZONES,
    }
    shows = PassagesTold

    def get(self, request: Request, pk: str) -> Response:
        """Under the head, at the knife and cut off; give one of the three places.

        What is told is what is planned: an outage, or a hold that is said later, makes it otherwise. `certainty` says
        how well the instants are known.
        """
        context = machine_context(get_object_or_404(Machine, pk=pk), wiring.now())
        begins = asked_instant(request, "from") or context.now
        found = passages_told(context, place_asked(request), begins, _until(request, begins), clocks_asked(request))
        return Response(unstructure(found))


def _until(request: Request, begins: datetime) -> datetime:
    try:
        ends = asked_instant(request, "until") or begins + USUAL
    except OverflowError:
        raise InputError("from", "the calendar ends before that", "give an earlier instant") from None
    if not timedelta() < ends - begins <= LONGEST:
        raise InputError("until", "not after `from`, or more than 400 days after it", "give an instant between")
    return ends


def clocks_asked(request: Request) -> tuple[ZoneInfo, ...]:
    """The clocks by which an answer is told besides the venue's.

    Raises:
        InputError: there are too many, or there is no such zone.
    """
    text = request.query_params.get("zones", "")
    names = text.split(",") if text else []
    if len(names) > MOST_CLOCKS:
        raise InputError("zones", f"{len(names)} of them", f"give {MOST_CLOCKS} at most")
    try:
        return tuple(zone(name.strip()) for name in names)
    except InputError as error:
        error.field = "zones"
        raise
