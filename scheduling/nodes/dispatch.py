"""What a node should hold now."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from django.db import DEFAULT_DB_ALIAS

from machines.model.profile import Profile
from machines.protocol.messages import NextRun, RunEnd, RunWork, Whereabouts, Work
from machines.recovery import Span
from scheduling.log.models import Machine, Run, Segment, Venue
from scheduling.log.rows.row_sql import table
from scheduling.outages.overrides import active_override
from scheduling.queries.calibration import machine_calibration
from scheduling.queries.names import LONGEST_NAME
from scheduling.queries.run_versions import run_profile
from scheduling.queries.runs import (
    SAID_ANEW,
    first_due,
    machine_profile,
    next_runs,
    run_policy,
    run_work,
    segment_work,
    segments_to_offer,
)
from scheduling.venues.hours import closed_as_told
from scheduling.venues.quiet import quiet_as_told

# A board holds one run and the next, of which something was planned, as far as this server remembers: of those that
# were ended or taken back since it was heard, they are two of the newest.
MOST_ENDED = 50


def work_for(machine: str, now: datetime, horizon: timedelta, poll_after_s: float) -> Work:
    """The work of a machine: its current run, and that run's segments not yet accounted for, up to the horizon; and the
    same of the run after it.

    Args:
        machine: id.
        now: UTC.
        horizon: how far ahead the node wants to hold work.
        poll_after_s: when it should ask again, seconds.
    """
    row: Machine = table(Machine, DEFAULT_DB_ALIAS).get(machine)
    until = now + horizon
    run, then = (*next_runs(machine=machine, before=until, limit=2), None, None)[:2]
    offered = [] if run is None else segments_to_offer(run, until)
    segments = tuple(map(segment_work, offered))
    profile = machine_profile(profile=row.profile_id) if run is None else run_profile(run, row)
    following = None if then is None else _following(then, row, profile, until)
    needed = (*segments, *(() if following is None else following.segments))
    venue: Venue = table(Venue, DEFAULT_DB_ALIAS).get(row.venue_id)
    return Work(
        epoch=row.epoch,
        run=None if run is None else offered_run(run, offered),
        policy=None if run is None else run_policy(run),
        profile=profile,
        plates=tuple(dict.fromkeys(segment.plate for segment in needed)),
        segments=segments,
        poll_after_s=poll_after_s,
        calibration=None if row.calibration is None else machine_calibration(row),
        override=None if run is None else active_override(run),
        closed=_closed([one for one in (run, then) if one is not None], venue, now, until),
        ended=_ended(row),
        following=following,
        quiet=quiet_as_told(venue, now, until),
        stands=Whereabouts(machine=_name(row.name), venue=_name(venue.name), zone=venue.zone),
    )


def _name(text: str) -> str:
    """As a board takes it: older names may have space around them."""
    return text.strip()[:LONGEST_NAME]


def _following(run: Run, machine: Machine, profile: Profile, until: datetime) -> NextRun | None:
    """What a machine turns to by itself, from a run by a profile; None while nothing of it is planned."""
    offered = segments_to_offer(run, until)
    if not offered:
        return None
    own = run_profile(run, machine)
    return NextRun(
        run=offered_run(run, offered),
        policy=run_policy(run),
        segments=tuple(map(segment_work, offered)),
        profile=None if own == profile else own,
    )


def _closed(runs: Sequence[Run], venue: Venue, now: datetime, until: datetime) -> tuple[Span, ...]:
    """Closed hours as they are told with runs; where nothing is printed in them, beyond the last segment, too."""
    if not runs:
        return ()
    beyond = timedelta(days=1) if any(run.only_while_open for run in runs) else timedelta()
    return closed_as_told(venue, now, until + beyond)


def _ended(machine: Machine) -> tuple[RunEnd, ...]:
    """Runs that a board may hold and that people have ended, changed, taken back or moved since, so that it lets go of
    them."""
    newest = (
        "ORDER BY planned_to_column = first_column, COALESCE(withdrawn_at, ended_at, changed_at) DESC, id"
        f" LIMIT {MOST_ENDED}"
    )
    condition = f"machine_id = %s AND {SAID_ANEW} {newest}"
    rows: list[Run] = table(Run, DEFAULT_DB_ALIAS).where(condition, machine.id)
    of_others = [RunEnd(run=run, end_column=first, formed=formed) for run, first, formed in machine.moved_away]
    own = [
        RunEnd(
            run=row.id,
            end_column=row.end_column if row.withdrawn_at is None else row.first_column,
            formed=row.formed,
        )
        for row in reversed(rows)
    ]
    return (*of_others, *own)


def offered_run(run: Run, offered: Sequence[Segment]) -> RunWork:
    """The run, with the first column that is due of what is offered."""
    return replace(run_work(run), first_unaccounted=first_due(offered[0]) if offered else None)
