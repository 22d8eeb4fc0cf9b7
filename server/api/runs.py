"""Runs: a machine prints a source against a cycle over a span; and the segments that a run is planned as."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from django.shortcuts import get_object_or_404

from machines.recovery import Policy
from scheduling.log.models import Run, Segment
from scheduling.log.past import run_row_at
from scheduling.studio import PlanRun
from server.api.doors import Collection, List
from server.api.past import PastItem
from server.api.rows import Row, Stored


class RunRow(Row):
    """A run, and how many of its columns are accounted for."""

    policy = Stored(Policy)

    class Meta:
        model = Run
        fields = (
            "id",
            "machine",
            "source",
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
            "mean_turn_s",
            "planned_to_column",
            "printed",
            "skipped",
            "unknown",
        )
        read_only_fields = fields


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
            "finished_at",
            "worst_miss_s",
        )
        read_only_fields = fields


class Runs(Collection):
    """The runs, and planning one."""

    queryset = Run.objects.all()
    serializer_class = RunRow
    command = PlanRun
    detail = "run"


class OneRun(PastItem):
    """A run, as it is or as it was."""

    queryset = Run.objects.all()
    serializer_class = RunRow
    as_it_was = staticmethod(run_row_at)


class RunSegments(List):
    """The segments of a run that are planned so far."""

    queryset = Segment.objects.all()
    serializer_class = SegmentRow
    key = "number"

    def get_queryset(self) -> QuerySet[Any]:
        """Those of the run that the address names."""
        if getattr(self, "swagger_fake_view", False):  # the API is being described: no request, no run
            return Segment.objects.none()
        return Segment.objects.filter(run=get_object_or_404(Run, pk=self.kwargs["run"]))
