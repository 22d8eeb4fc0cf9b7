"""Outages: columns were missing, and how that was settled. Facts from the nodes' journals; nobody adds one here, but
while one is being made good a person may say otherwise."""

from __future__ import annotations

from django.shortcuts import get_object_or_404
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from machines.recovery import Decision, Gap, Policy
from machines.serialization import structure
from scheduling.commands.override import override_outage
from scheduling.log.models import Outage
from server import wiring
from server.api.base_views import ApiView, attribution
from server.api.overrides import Decide, OverrideRow, decided
from server.api.serializers import Row, Stored


class OutageRow(Row):
    """An outage: what was missing, what becomes of it, why, and what that costs; open until it is true again."""

    gap = Stored(Gap)
    policy = Stored(Policy)
    decision = Stored(Decision)
    differs = Stored(Decision | None)
    is_open = serializers.SerializerMethodField()
    action = serializers.CharField(source="decision.action", read_only=True)
    reason = serializers.CharField(source="decision.reason", read_only=True)
    hours_until_true = serializers.FloatField(source="decision.hours_until_true", read_only=True)
    paper_mm = serializers.SerializerMethodField()
    ink_ml = serializers.SerializerMethodField()

    class Meta:
        model = Outage
        fields = (
            "id",
            "machine",
            "run",
            "seq",
            "cause",
            "noticed_at",
            "is_open",
            "action",
            "reason",
            "paper_mm",
            "ink_ml",
            "hours_until_true",
            "true_again_at",
            "override",
            "gap",
            "policy",
            "decision",
            "differs",
        )

    def get_is_open(self, row: Outage) -> bool:
        """Whether columns are still being printed late."""
        return row.true_again_at is None

    def get_paper_mm(self, row: Outage) -> float | None:
        """Of paper, for the missing columns; null where the node could not tell."""
        return _cost(row, "paper_mm")

    def get_ink_ml(self, row: Outage) -> float | None:
        """Of ink, for those that are laid; null where the node could not tell."""
        return _cost(row, "ink_ml")


def _cost(row: Outage, name: str) -> float | None:
    cost: float | None = row.decision.get(name)
    return cost


class OutageOverride(ApiView):
    """A person's word on an outage that is being made good."""

    command = staticmethod(override_outage)
    reads, serializer_class, answers = Decide, OverrideRow, 201

    def post(self, request: Request, pk: str) -> Response:
        """Say otherwise how the outage is to be settled, while its columns are still being printed late."""
        asked = structure(request.data, Decide)
        outage = get_object_or_404(Outage, pk=pk)
        by = attribution(request, outage.machine.venue_id)
        return decided(override_outage(outage, asked.rule, asked.reason, by, wiring.chance()))
