"""How surely boards knew the time, kept now and then, so that it can be looked at along time."""

from __future__ import annotations

from datetime import datetime, timedelta

from machines.protocol.messages import Status
from machines.serialization import structure_lenient
from scheduling.log.beside import keep_clock_samples
from scheduling.log.models import ClockSample, Heartbeat

EVERY, KEPT = timedelta(minutes=15), timedelta(days=35)


def sample_clocks(now: datetime) -> int:
    """Keep what was heard of boards' clocks since the last time, where that is long enough ago.

    Returns:
        how many were kept.
    """
    last = ClockSample.objects.order_by("-at").values_list("at", flat=True).first()
    if last is not None and now - last < EVERY:
        return 0
    heard = Heartbeat.objects.filter(heard_at__gt=now - EVERY)
    samples = [sample for row in heard if (sample := _sample(row)) is not None]
    keep_clock_samples(samples, now - KEPT)
    return len(samples)


def _sample(row: Heartbeat) -> ClockSample | None:
    """None where the board has not said, or does not know the time."""
    error_s = structure_lenient(row.status, Status).clock_error_s if row.status else None
    return None if error_s is None else ClockSample(machine_id=row.machine_id, at=row.heard_at, error_s=error_s)
