"""What a node should hold now."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from django.db.models import F

from machines.wire import RunWork, Work
from scheduling.calibration import machine_calibration
from scheduling.log.models import Machine, Run, Segment, Venue
from scheduling.log.outcomes import Interval, outside
from scheduling.override import standing_word
from scheduling.selectors import current_run, machine_profile, run_policy, run_work, segment_work
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
    offered = [] if run is None else _open_segments(run, until)
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
    return replace(run_work(run), first_unaccounted=_first_unaccounted(offered[0]) if offered else None)


def _first_unaccounted(segment: Segment) -> int:
    """The first column of an open segment that has no outcome, or is to be printed once more."""
    accounted = [(first, end) for first, end, _ in segment.outcomes]
    due = outside(Interval(segment.first_column, segment.end_column, "printed"), accounted)
    return int(min([one.first for one in due] + [first for first, _ in segment.again]))


def _open_segments(run: Run, until: datetime) -> list[Segment]:
    """Planned segments of a run that begin before an instant and have columns that nobody has accounted for, or that
    are to be printed once more."""
    return list(
        Segment.objects.filter(run_id=run.id, starts_at__lt=until)
        .exclude(end_column=F("first_column") + F("printed") + F("skipped") + F("unknown"), again=[])
        .order_by("number")
    )
