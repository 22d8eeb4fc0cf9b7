"""What people said on outages while they were open."""

from __future__ import annotations

from dataclasses import dataclass

from django.urls import reverse
from rest_framework.response import Response

from machines.recovery import Rule
from scheduling.log.models import Override
from server.api.serializers import Row, Stored, Written


@dataclass(frozen=True, kw_only=True)
class Decide:
    """What is to become of an open outage, in place of the run's policy; and why, for the record."""

    rule: Rule
    reason: str | None = None


class OverrideRow(Row):
    """A person's word: what was open when it was given (``because``), and the outage that was settled by it
    (``used_by``), null for none yet; or when it was over without having followed it (``passed_over_at``)."""

    rule = Stored(Rule)
    reason = Written("reason", "remark")

    class Meta:
        model = Override
        fields = (
            "id",
            "machine",
            "run",
            "because",
            "outage",
            "rule",
            "reason",
            "given_at",
            "given_by",
            "used_by",
            "passed_over_at",
        )


def decided(word: Override) -> Response:
    """The answer to a word that was taken."""
    return Response(OverrideRow(word).data, status=201, headers={"Location": reverse("override", args=[word.id])})
