"""What a node should hold now."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.db.models import F

from machines.wire import Work
from scheduling.calibration import machine_calibration
from scheduling.log.models import Machine, Run, Segment
from scheduling.selectors import current_run, machine_profile, run_policy, run_work, segment_work


def work_for(machine: str, now: datetime, horizon: timedelta, poll_after_s: float) -> Work:
    """The work of a machine: its current run, and that run's segments not yet accounted for, up to the horizon.

    Args:
        machine: id.
        now: UTC.
        horizon: how far ahead the node wants to hold work.
        poll_after_s: when it should ask again, seconds.
    """
    row = Machine.objects.get(id=machine)
    until = now + horizon
    run = current_run(machine=machine, before=until)
    segments = () if run is None else tuple(segment_work(segment) for segment in _open_segments(run, until))
    return Work(
        epoch=row.epoch,
        run=None if run is None else run_work(run),
        policy=None if run is None else run_policy(run),
        profile=machine_profile(profile=row.profile_id),
        plates=tuple(dict.fromkeys(segment.plate for segment in segments)),
        segments=segments,
        poll_after_s=poll_after_s,
        calibration=None if row.calibration is None else machine_calibration(row),
    )


def _open_segments(run: Run, until: datetime) -> list[Segment]:
    """Planned segments of a run that begin before an instant and have columns that nobody has accounted for."""
    return list(
        Segment.objects.filter(run_id=run.id, starts_at__lt=until)
        .exclude(end_column=F("first_column") + F("printed") + F("skipped") + F("unknown"))
        .order_by("number")
    )
