"""Runs: a machine prints a source against a cycle over a span; and the segments that a run is planned as."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any, ClassVar, cast

from django.db.models import QuerySet
from django.http import Http404
from django.shortcuts import get_object_or_404
from drf_spectacular.utils import OpenApiParameter
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from machines.recovery import Policy
from machines.serialization import structure, unstructure
from scheduling.commands.end_run import Boundary
from scheduling.commands.override import override_run
from scheduling.commands.plan_run import PlanRun
from scheduling.commands.preview_run import RunCheck, check_run
from scheduling.commands.succeed_run import JoinsAt, Successor
from scheduling.log.models import Machine, Run, Segment
from scheduling.log.moment import AsOf
from scheduling.log.projecting.as_of import Page, segments_at
from scheduling.nodes.board_holds import BoardHolds, BoardKnows, board_holds, boards_know
from scheduling.queries.runs import machine_of
from server import wiring
from server.api.base_views import ApiView, asked_for, attribution
from server.api.overrides import Decide, OverrideRow, decided
from server.api.past import PastList
from server.api.serializers import Row, Stored, Written
from server.heavy import ANSWERS


@dataclass(frozen=True, kw_only=True)
class EndRun:
    """When a run is to end.

    Attributes:
        at: an instant; now where it is left out, which lengthens nothing.
        boundary: of what it ends at the first from then on: a ``burst``, a ``strip`` or a ``turn``.
        reason: why, for the record; may be left out.
    """

    at: datetime | None = None
    boundary: Boundary = "burst"
    reason: str | None = None


@dataclass(frozen=True, kw_only=True)
class HoldRun:
    """From when to when a run is to be held.

    Attributes:
        at: an instant; now where it is left out.
        until: when it goes on by itself; where it is left out it does once people say so.
        boundary: of what it begins at the first from then on: a ``burst``, a ``strip`` or a ``turn``.
        reason: why, for the record; may be left out.
    """

    at: datetime | None = None
    until: datetime | None = None
    boundary: Boundary = "burst"
    reason: str | None = None


@dataclass(frozen=True, kw_only=True)
class ContinueRun:
    """When a run that is held is to go on.

    Attributes:
        at: an instant; now where it is left out.
        reason: why, for the record; may be left out.
    """

    at: datetime | None = None
    reason: str | None = None


@dataclass(frozen=True, kw_only=True)
class Held:
    """A span in which people hold a run.

    Attributes:
        starts_at: from when on nothing of it is laid.
        ends_at: until when; null until people say so.
        by: whose word it is: an account's or a key's id.
    """

    starts_at: datetime
    ends_at: datetime | None
    by: str


class Board(Stored):
    """Whether the run's board knows what was said of it; null of a run as it was: telemetry knows no past."""

    def __init__(self) -> None:
        super().__init__(BoardKnows | None, source="*")

    def to_representation(self, value: Any) -> Any:
        """As it was heard last."""
        if value._state.adding:
            return None
        known = self.context.get("boards") or boards_know([value])
        return unstructure(known.get(value.id))


class RunRows(serializers.ListSerializer[Any]):
    """Runs, whose boards are read together."""

    def to_representation(self, data: Any) -> Any:
        """Each of them."""
        rows = list(data)
        cast("dict[str, Any]", self.context)["boards"] = boards_know(row for row in rows if not row._state.adding)
        return super().to_representation(rows)


@dataclass(frozen=True, kw_only=True)
class SucceedRun(Successor):
    """A run that follows another, and from when on.

    Attributes:
        id: of the new run.
        machine, source, policy, segments_per_turn, strips_per_turn: another one than that of the run that it follows.
        ends_at: its end; that of the run that it follows where it is left out.
        at: an instant; now where it is left out.
        boundary: of what it follows at the first from then on: a ``burst``, a ``strip`` or a ``turn``; or ``laid``, at
            what is laid or in hand. A turn where it is left out, and what is laid where another machine prints on from
            now.
        reason: why, for the record; may be left out.
    """

    at: datetime | None = None
    boundary: JoinsAt | None = None
    reason: str | None = None


class RunRow(Row):
    """A run, how many of its columns are accounted for, to be printed once more (``again``) or were (``repeated``),
    and how long its timeline has waited (``shift_s``). ``withdrawn_at`` is null while it is to be printed; what a board
    prints of it all the same is counted as of any run. ``ended_at`` says when people last gave it another end, and
    ``changed_at`` when they last changed anything of it before it began, null for never; ``longest_column`` is the
    furthest end that it ever had, and ``beyond`` counts what a board has printed beyond ``end_column`` that had not
    heard of it. ``holds`` are the spans in which people hold it, over ones among them.
    ``revision`` counts what people have said of it, and in ``board`` is whether the machine knows.
    ``succeeds`` names the run that it follows without a gap, and ``followed_by`` that which goes on where it ends; null
    for none. ``profile`` is the model by which it is printed, whatever its machine is by now; null for that of its
    machine when it was planned, of runs that are older than this word."""

    policy = Stored(Policy)
    board = Board()
    holds = Stored(tuple[Held, ...])
    longest_column = serializers.IntegerField(read_only=True)
    ended_because = Written(None, "ended_remark")
    withdrawn_because = Written(None, "withdrawn_remark")

    class Meta:
        model = Run
        list_serializer_class = RunRows
        fields = (
            "id",
            "machine",
            "source",
            "source_version",
            "profile",
            "profile_version",
            "cycle",
            "cycle_options",
            "segments_per_turn",
            "strips_per_turn",
            "starts_at",
            "ends_at",
            "first_column",
            "end_column",
            "policy",
            "nozzle_seed",
            "only_while_open",
            "mean_turn_s",
            "planned_to_column",
            "printed",
            "skipped",
            "unknown",
            "again",
            "repeated",
            "shift_s",
            "longest_column",
            "beyond",
            "holds",
            "revision",
            "board",
            "changed_at",
            "ended_at",
            "ended_because",
            "withdrawn_at",
            "withdrawn_because",
            "succeeds",
            "followed_by",
        )


class SegmentRow(Row):
    """A segment as planned, and what became of it."""

    class Meta:
        model = Segment
        fields = (
            "run",
            "number",
            "first_column",
            "end_column",
            "starts_at",
            "ends_at",
            "plate",
            "state",
            "printed",
            "skipped",
            "unknown",
            "outcomes",
            "again",
            "finished_at",
            "worst_miss_s",
        )


def venue_of_run(run: Run) -> str:
    """Id of the venue where its machine stands.

    Raises:
        InputError: the machine, or the venue, was closed into an archive.
    """
    return str(machine_of(run).venue_id)


def board_of_run(run: Run) -> BoardHolds | None:
    """What its machine's board holds of it; None of one whose machine was closed into an archive."""
    machine = Machine.objects.select_related("venue").filter(id=run.machine_id).first()
    return None if machine is None else board_holds(run, machine)


class RunChecks(ApiView):
    """What planning a run would come to; nothing is written."""

    command, shows, answers = PlanRun, RunCheck, 200
    ordered_with: ClassVar = {
        "without_ink": OpenApiParameter("without_ink", bool, description="Draw no picture, and tell nothing of ink.")
    }

    def post(self, request: Request) -> Response:
        """Check a run whole before it is planned: how much paper and ink it takes, how many cuts, where its rolls
        and blades end, in which service window each is to be changed, and in ``warnings`` what should be put right or
        be meant first, each cause once. The ink is an estimate by a small drawing, whose scale is told; where too much
        is being drawn this comes to 429, and `without_ink` is answered all the same. What cannot be planned at all is
        refused as planning it would be."""
        command = structure(request.data, PlanRun)
        made = None if asked_for(request, "without_ink") else ANSWERS.get
        return Response(unstructure(check_run(command, wiring.now(), wiring.uploads(), made)))


class RunOverride(ApiView):
    """A person's word on what is open on a run."""

    command = staticmethod(override_run)
    reads, serializer_class, answers = Decide, OverrideRow, 201

    def post(self, request: Request, pk: str) -> Response:
        """Say how an outage is to be settled while it is open: after a silence, while the machine is held, or while
        columns are printed late. It holds for that outage only. The node settles by it when it next fetches work."""
        asked = structure(request.data, Decide)
        run = get_object_or_404(Run, pk=pk)
        by = attribution(request, venue_of_run(run))
        return decided(override_run(run, asked.rule, asked.reason, by, wiring.chance()))


class RunSegments(PastList):
    """The segments of a run that are planned so far."""

    queryset = Segment.objects.all()
    serializer_class = SegmentRow
    key = "number"

    def get_queryset(self) -> QuerySet[Any]:
        """Those of the run that the address names."""
        if getattr(self, "swagger_fake_view", False):  # the API is being described: no request, no run
            return Segment.objects.none()
        return Segment.objects.filter(run=get_object_or_404(Run, pk=self.kwargs["run"]))

    def as_they_were(self, moment: AsOf, part: Page) -> list[Segment]:
        """A part of those that were planned by then, as they were."""
        segments = segments_at(self.kwargs["run"], moment, part)
        if segments is None:
            raise Http404(f"There was no run {self.kwargs['run']!r} then.")
        return segments
