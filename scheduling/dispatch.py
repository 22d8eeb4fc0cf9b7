"""What a node should hold now."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from machines.wire import RunWork, Work
from scheduling.calibration import machine_calibration
from scheduling.log.models import Machine, Run, Segment, Venue
from scheduling.override import standing_word
from scheduling.selectors import (
    current_run,
    first_due,
    machine_profile,
    open_segments,
    run_policy,
    run_work,
    segment_work,
)
from scheduling.venue_hours import closed_as_told


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
    offered = [] if run is None else list(open_segments(run).filter(starts_at__lt=until))
    segments = tuple(map(segment_work, offered))
    return Work(
        epoch=row.epoch,
        run=None if run is None else _run_work(run, offered),
        policy=None if run is None else run_policy(run),
        profile=machine_profile(profile=row.profile_id),
        plates=tuple(dict.fromkeys(segment.plate for segment in segments)),
        segments=segments,
        poll_after_s=poll_after_s,
        calibration=None if row.calibration is None else machine_calibration(row),
        override=None if run is None else standing_word(run),
        closed=() if run is None else closed_as_told(Venue.objects.get(id=row.venue_id), now, until),
    )


def _run_work(run: Run, offered: Sequence[Segment]) -> RunWork:
    return replace(run_work(run), first_unaccounted=first_due(offered[0]) if offered else None)
