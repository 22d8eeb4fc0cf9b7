"""A run played many times before it happens, as the API tells it."""

from __future__ import annotations

import math
from typing import ClassVar

from django.shortcuts import get_object_or_404
from drf_spectacular.utils import OpenApiParameter
from rest_framework.request import Request
from rest_framework.response import Response

from machines.errors import InputError
from machines.serialization import unstructure
from scheduling.log.models import Run
from scheduling.outages.imagined import RunThere
from scheduling.queries.machine_context import machine_context
from scheduling.queries.runs import machine_of
from scheduling.rehearsal.assumed import changed, names
from scheduling.rehearsal.incidents import block_of
from scheduling.rehearsal.log_rates import rates_of
from scheduling.rehearsal.of_run import RunInNumbers
from scheduling.rehearsal.rates import DAY_S, Rates
from scheduling.rehearsal.rehearse import Asked, rehearse
from scheduling.rehearsal.told import Rehearsed
from server import wiring
from server.api.base_views import ApiView, asked_for
from server.api.queries import number_reader, query_value, whole_reader
from server.heavy import TURNS

# What is played within some seconds, with all that is compared and without; more is played at the terminal. How long it
# takes grows with the days of the run, however few the seasons are.
USUAL_SEASONS, MOST_COMPARED, MOST_ALONE = 1000, 2000, 10_000
LONGEST_COMPARED_DAYS, MOST_ALONE_DAYS = 400, 2_000_000
# And with all that happens in them, incidents and visits of staff. Few seasons take as long as so many, as those of a
# block are played at once.
MOST_HAPPEN, AT_ONCE = 8_000_000, 500
# A rest takes as long as so many incidents: it comes in every season.
A_REST = 2
# Of so many kinds are the seasons at most, with those that are compared.
KINDS_COMPARED = 19
AT_TERMINAL = "`dayroll rehearse` plays more"


class RunRehearsal(ApiView):
    """A run played many times before it happens."""

    parameters = ("seasons", "seed", "confidence", "alone", *names())
    described: ClassVar = {
        "seasons": OpenApiParameter(
            "seasons", int, description="How often; 1000 if not given, 2000 at most, or 10,000 with `alone`."
        ),
        "seed": OpenApiParameter("seed", int, description="Of all chance; 1 if not given. The same tells the same."),
        "confidence": OpenApiParameter("confidence", float, description="For numbers of spares; 0.95 if not given."),
        "alone": OpenApiParameter("alone", bool, description="Compare no policies and service dates."),
        **{
            name: OpenApiParameter(
                name, float, description="An assumption, in place of that which `assumptions` tells."
            )
            for name in names()
        },
    }
    shows = Rehearsed

    def get(self, request: Request, pk: str) -> Response:
        """Play what is to come of a run, with the venue's hours and windows, its rolls, cartridges and blades, and
        stated rates of what goes wrong: from the machine's own log with a typical one among them, or as the query says.
        Each outage is settled by the rule of the machine. Told are how likely each opening is to be right, that a roll
        ends with nobody there, hours off the sky, paper, ink and spares, and in ``compared`` the same seasons under
        other policies, with other service dates, and without what goes wrong. What takes longer than some seconds is
        refused, and where too much is being made this comes to 429."""
        run, now = get_object_or_404(Run, pk=pk), wiring.now()
        machine = machine_of(run)
        said = {
            name: number_reader(name)(request.query_params[name]) for name in names() if name in request.query_params
        }
        rates, asked = changed(rates_of(machine.id, now, Rates()), said), _asked(request)
        with TURNS.turn():
            numbers = RunInNumbers(RunThere(machine_context(machine, now), run), now, wiring.plates())
            _require_short(numbers, rates, asked)
            return Response(unstructure(rehearse(numbers, rates, asked)))


def _asked(request: Request) -> Asked:
    alone = asked_for(request, "alone")
    seasons = query_value(request, "seasons", whole_reader("seasons"), USUAL_SEASONS)
    most = MOST_ALONE if alone else MOST_COMPARED
    if seasons > most:
        remedy = f"give {most:,} at most" + ("" if alone else f", or {MOST_ALONE:,} with alone=true")
        raise InputError("seasons", f"{seasons}", f"{remedy}; {AT_TERMINAL}")
    return Asked(
        seasons=seasons,
        seed=query_value(request, "seed", whole_reader("seed"), 1),
        confidence=query_value(request, "confidence", number_reader("confidence"), 0.95),
        compare=not alone,
    )


def _require_short(numbers: RunInNumbers, rates: Rates, asked: Asked) -> None:
    days = numbers.length_s / DAY_S
    if asked.compare and days > LONGEST_COMPARED_DAYS:
        problem = f"{days:.0f} days are too many to compare here"
        raise InputError("alone", problem, f"give alone=true; {AT_TERMINAL}")
    if not asked.compare and asked.seasons * days > MOST_ALONE_DAYS:
        problem = f"{asked.seasons} seasons of {days:.0f} days are too many to play here"
        raise InputError("seasons", problem, f"give {int(MOST_ALONE_DAYS / days):,} at most; {AT_TERMINAL}")
    happens = days * rates.per_day + len(numbers.windows) + A_REST * len(numbers.rests)
    happens *= KINDS_COMPARED if asked.compare else 1
    if _weight(asked.seasons, days) * happens > MOST_HAPPEN:
        problem = f"so much happens in {asked.seasons} seasons that they are too many to play here"
        instead = "give fewer, assume less that goes wrong" + (", or give alone=true" if asked.compare else "")
        raise InputError("seasons", problem, f"{instead}; {AT_TERMINAL}")


def _weight(seasons: int, days: float) -> int:
    """How many seasons take as long, if they were all played at once."""
    return max(seasons, AT_ONCE * math.ceil(seasons / block_of(days)))
