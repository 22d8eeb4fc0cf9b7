"""What each policy would make of an outage of a run that is planned, or of one that may be."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar, get_args

from django.shortcuts import get_object_or_404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter
from rest_framework.request import Request
from rest_framework.response import Response

from machines.errors import InputError
from machines.recovery import Cause, Gap, HalfPrinted, Limit
from machines.serialization import structure, unstructure
from scheduling.commands.handlers import check_whole
from scheduling.commands.plan_run import PlanRun
from scheduling.log.events.plans import RunPlanned
from scheduling.log.models import Outage, Run
from scheduling.outages.imagined import ImaginedOutage, RunThere, imagined_gap, past_gap
from scheduling.outages.options import RuleOptions
from scheduling.outages.policies_compared import PoliciesCompared, compare_policies
from scheduling.queries.machine_context import machine_context
from scheduling.queries.runs import as_planned, machine_of
from server import wiring
from server.api.base_views import ApiView, asked_for
from server.api.past import asked_instant
from server.api.queries import number_reader, one_of, query_value

SIX_HOURS = Limit(value=6.0, unit="hours")
CAUSES: tuple[Cause, ...] = get_args(Cause)
UNITS = ("hours", "turns")
HALF_PRINTED: tuple[HalfPrinted, ...] = get_args(HalfPrinted)


@dataclass(frozen=True, kw_only=True)
class CheckPolicies:
    """An outage of a run that is not planned yet.

    Attributes:
        run: as it would be planned.
        outage: from when to when nothing would be laid, and why.
        within: how much of it `replay-within` would print.
        half_printed: what would become of the segment that was being printed.
        only_while_closed: whether what is printed late would be so only while the venue is closed.
    """

    run: PlanRun
    outage: ImaginedOutage
    within: Limit = field(default=SIX_HOURS)
    half_printed: HalfPrinted = "as-the-rest"
    only_while_closed: bool = False


class PolicyChecks(ApiView):
    """What each policy would make of an outage of a run that is not planned yet; nothing is written."""

    command, reads, shows, answers = PlanRun, CheckPolicies, PoliciesCompared, 200

    def post(self, request: Request) -> Response:
        """Settle an outage by the run's own policy and by every kind of rule that its cycle allows, as its machine
        would: what is left out, printed late, waited for or blank, what that costs, when it is true to the sky again,
        and what hangs at each opening from then on. What the answer leaves out of account, ``not_reckoned`` says."""
        asked = structure(request.data, CheckPolicies)
        now = wiring.now()
        checked = check_whole(asked.run, now, wiring.uploads())
        assert isinstance(checked.event, RunPlanned) and checked.run is not None
        there = RunThere(machine_context(checked.run.machine, now), as_planned(asked.run.id, checked.event))
        wishes = RuleOptions(asked.within, asked.half_printed, asked.only_while_closed)
        try:
            gap = imagined_gap(there, asked.outage)
        except InputError as error:
            raise error.within("outage") from None
        return Response(unstructure(compare_policies(there, gap, wishes)))


class RunPolicies(ApiView):
    """What each policy would make of an outage of a run."""

    parameters = ("from", "until", "cause", "outage", "within", "unit", "half_printed", "only_while_closed")
    described: ClassVar = {
        "from": OpenApiParameter("from", OpenApiTypes.DATETIME, description="From when on nothing would be laid."),
        "until": OpenApiParameter("until", OpenApiTypes.DATETIME, description="Until when."),
        "cause": OpenApiParameter("cause", str, enum=CAUSES, description="Why; `power` if not given."),
        "outage": OpenApiParameter("outage", str, description="Id of an outage of the log, in place of a span."),
        "within": OpenApiParameter("within", float, description="How much `replay-within` prints; 6 if not given."),
        "unit": OpenApiParameter("unit", str, enum=UNITS, description="Of that; `hours` if not given."),
        "half_printed": OpenApiParameter(
            "half_printed", str, enum=HALF_PRINTED, description="What becomes of the segment that was being printed."
        ),
        "only_while_closed": OpenApiParameter(
            "only_while_closed", bool, description="Print late only while the venue is closed."
        ),
    }
    shows = PoliciesCompared

    def get(self, request: Request, pk: str) -> Response:
        """Settle an outage by the run's own policy and by every kind of rule that its cycle allows, as its machine
        would: what is left out, printed late, waited for or blank, what that costs, when it is true to the sky again,
        and what hangs at each opening from then on. Give a span, past or to come, or an outage of the log: one of the
        run's own counts as its node told it, of another its hours and its cause. What the answer leaves out of account,
        ``not_reckoned`` says."""
        run = get_object_or_404(Run, pk=pk)
        there = RunThere(machine_context(machine_of(run), wiring.now()), run)
        return Response(unstructure(compare_policies(there, _gap(request, there), _wishes(request))))


def _gap(request: Request, there: RunThere) -> Gap:
    begins, ends = asked_instant(request, "from"), asked_instant(request, "until")
    id = request.query_params.get("outage")
    if id is not None:
        if begins is not None or ends is not None:
            raise InputError("outage", "given with a span", "give either")
        row = None if "\0" in id else Outage.objects.filter(id=id).first()
        if row is None:
            raise InputError("outage", f"there is no outage {id!r}", "give the id of one, or a span")
        return past_gap(there, row, wiring.plates())
    if begins is None or ends is None:
        raise InputError("from" if begins is None else "until", "missing", "give from and until, or an outage")
    if ends <= begins:
        raise InputError("until", "not after `from`", "give a later instant")
    cause = one_of("cause", request.query_params.get("cause", "power"), CAUSES, "is no cause")
    return imagined_gap(there, ImaginedOutage(starts_at=begins, ends_at=ends, cause=cause), wiring.plates())


def _wishes(request: Request) -> RuleOptions:
    value = query_value(request, "within", number_reader("within"), SIX_HOURS.value)
    unit = one_of("unit", request.query_params.get("unit", "hours"), UNITS, "is no unit")
    half = one_of("half_printed", request.query_params.get("half_printed", "as-the-rest"), HALF_PRINTED, "is no way")
    try:
        within = Limit(value=value, unit="turns" if unit == "turns" else "hours")
    except InputError as error:
        raise InputError("within", error.problem, error.remedy) from None
    return RuleOptions(within, half, asked_for(request, "only_while_closed"))
