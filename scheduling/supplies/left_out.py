"""Which columns to come are left out, as nothing is laid in a run's recesses and its policy prints none of them late.

What is fed blank takes its paper, what is printed late its ink, and after a hold that people have not ended yet nobody
knows: all of these count as printed.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from machines.model.profile import Profile
from machines.protocol.messages import pace
from machines.serialization import structure
from scheduling.log.codec.canonical_json import canonical
from scheduling.log.models import Run, Venue
from scheduling.planning.local_spans import Instants
from scheduling.planning.opening_hours import Hours, closed_spans
from scheduling.planning.timeline import Timeline
from scheduling.queries.runs import recesses_of, run_policy, run_work
from scheduling.sky.zones import zone

Ranges = tuple[tuple[int, int], ...]


def left_out(run: Run, profile: Profile, timeline_of: Callable[[Run], Timeline], venue: Venue, now: datetime) -> Ranges:
    """Running columns of a run that are due from an instant on and are never laid, in order, apart from one another.

    Args:
        run: which.
        profile: of its machine.
        timeline_of: gives the columns of a run against its cycle.
        venue: where its machine stands.
        now: the instant, UTC.
    """
    rule = run_policy(run).rule_for("held")
    if rule.kind not in ("skip", "replay-within") or not (spans := _recesses(run, venue, now)):
        return ()
    timeline = timeline_of(run)
    late = 0 if rule.within is None else pace(profile, run_work(run)).columns_within(rule.within)
    posix = np.array([[first.timestamp(), end.timestamp()] for first, end in spans]) - run.shift_s
    turns = timeline.cycle.turns(posix.ravel()).reshape(posix.shape)
    # A burst that began before goes on, and one that began meanwhile is left out whole.
    columns = _burst_from(np.ceil(turns * timeline.columns).astype(np.int64), profile)
    edges = np.clip(columns, run.first_column, run.end_column)
    ends = np.minimum(_burst_from(edges[:, 1] - late, profile), edges[:, 1])
    found = zip(edges[:, 0].tolist(), ends.tolist(), strict=True)
    return _apart([(first, end) for first, end in found if end > first])


def _burst_from(columns: NDArray[np.int64], profile: Profile) -> NDArray[np.int64]:
    """The first columns of the bursts that begin at some columns or after them."""
    return -(-columns // profile.columns_per_burst) * profile.columns_per_burst


def columns_in(ranges: Ranges, first: int, end: int) -> int:
    """How many of some columns lie from one to before another."""
    return sum(max(0, min(end, last) - max(first, begins)) for begins, last in ranges)


def without(columns: NDArray[np.int64], ranges: Ranges) -> NDArray[np.int64]:
    """Columns, in order, but for those that are left out."""
    for first, end in ranges:
        columns = columns[(columns < first) | (columns >= end)]
    return columns


def _recesses(run: Run, venue: Venue, now: datetime) -> list[Instants]:
    begins = max(now, run.starts_at)
    held = [(max(one.starts_at, begins), min(one.ends_at, run.ends_at)) for one in recesses_of(run) if one.ends_at]
    closed: tuple[Instants, ...] = ()
    if run.only_while_open and venue.hours is not None and begins < run.ends_at:
        hour = begins.replace(minute=0, second=0, microsecond=0)
        closed = _closed(canonical(venue.hours), venue.zone, hour, run.ends_at)
    spans = [*held, *((max(a, begins), b) for a, b in closed)]
    return sorted((first, end) for first, end in spans if first < end)


@lru_cache(maxsize=64)  # of a run of years these are thousands, and a page that counts is asked for often
def _closed(hours: str, name: str, start: datetime, end: datetime) -> tuple[Instants, ...]:
    return closed_spans(structure(json.loads(hours), Hours), zone(name), start, end)


def _apart(ranges: list[tuple[int, int]]) -> Ranges:
    found: list[tuple[int, int]] = []
    for first, end in sorted(ranges):
        if found and first <= found[-1][1]:
            found[-1] = found[-1][0], max(found[-1][1], end)
        else:
            found.append((first, end))
    return tuple(found)
