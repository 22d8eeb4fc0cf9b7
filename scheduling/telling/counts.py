"""How many messages wait, and how many matters are open of which people are told: one question each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import get_args

from django.db.models import Count, Min, Q

from scheduling.log.models import Matter, Message
from scheduling.telling.amiss import AmissKind


@dataclass(frozen=True)
class MessageCounts:
    """Messages that are kept.

    Attributes:
        waiting: to be sent, those too that are tried again.
        troubled: of these, whose newest try failed.
        failed: given up: nobody will be told by them, nor needs to be in some cases.
        oldest: when the one of them that waits longest was made, UTC; None where none does.
    """

    waiting: int
    troubled: int
    failed: int
    oldest: datetime | None


def message_counts() -> MessageCounts:
    """As they stand."""
    waits = Q(sent_at=None, given_up_at=None)
    return MessageCounts(
        **Message.objects.aggregate(
            waiting=Count("id", filter=waits),
            troubled=Count("id", filter=waits & ~Q(problem="")),
            failed=Count("id", filter=Q(given_up_at__isnull=False)),
            oldest=Min("made_at", filter=waits),
        )
    )


def open_matters() -> Mapping[AmissKind, int]:
    """How many are not over, by every kind that there is. They are looked for only where anybody is to be told."""
    found = Matter.objects.filter(over_at=None).order_by().values_list("kind").annotate(Count("id"))
    counts = dict(found)
    return {kind: counts.get(kind, 0) for kind in get_args(AmissKind)}
