"""What was measured of a machine along time: how far its paper slipped, and how surely its board knew the time."""

from __future__ import annotations

from datetime import datetime

from django.db.models import Q

from machines.protocol.journal_entries import FeedCorrected, SlipMeasured
from scheduling.log.event_records import facts
from scheduling.log.events import EVENT_KINDS
from scheduling.log.models import ClockSample

Trace = list[tuple[datetime, float]]
SLIPS = {EVENT_KINDS[kind] for kind in (SlipMeasured, FeedCorrected)}


def slips_mm(machine: str, begins: datetime, ends: datetime, *, using: str = "default") -> Trace:
    """What was told between two instants of how far the paper is from where it was ordered, mm, further on positive, in
    order of time; a machine without an encoder tells nothing."""
    within = Q(happened_at__gte=begins, happened_at__lt=ends)
    told = facts(within, stream=f"machine/{machine}", kinds=SLIPS, using=using)
    slips = [
        (one.happened_at, one.event.slip_mm) for one in told if isinstance(one.event, SlipMeasured | FeedCorrected)
    ]
    return sorted(slips)


def clock_errors_s(machine: str, begins: datetime, ends: datetime) -> Trace:
    """How surely its board knew the server's time between two instants, seconds, in order of time."""
    rows = ClockSample.objects.filter(machine_id=machine, at__gte=begins, at__lt=ends)
    return list(rows.order_by("at").values_list("at", "error_s"))
