"""Outages: columns were missing, and how that was settled. Facts from the nodes' journals; nobody adds one here."""

from __future__ import annotations

from machines.recovery import Decision, Gap, Policy
from scheduling.log.models import Outage
from server.api.doors import Item, List
from server.api.rows import Row, Stored


class OutageRow(Row):
    """An outage."""

    gap = Stored(Gap)
    policy = Stored(Policy)
    decision = Stored(Decision)
    differs = Stored(Decision | None)

    class Meta:
        model = Outage
        fields = (
            "id",
            "machine",
            "run",
            "seq",
            "cause",
            "noticed_at",
            "gap",
            "policy",
            "decision",
            "differs",
            "true_again_at",
        )
        read_only_fields = fields


class Outages(List):
    """The outages."""

    queryset = Outage.objects.all()
    serializer_class = OutageRow


class OneOutage(Item):
    """An outage."""

    queryset = Outage.objects.all()
    serializer_class = OutageRow
