"""How many machines are in which state, asked in one question however many there are.

The states are those of `scheduling.outages.machine_state`, as far as rows tell them: what belongs under a head now, and
so whether a machine rests or is late, would have to be worked out machine by machine.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Literal, get_args

from django.db import DEFAULT_DB_ALIAS, connection

from scheduling.log import batched_sql
from scheduling.queries.runs import HAS_TO_COME

CountedState = Literal[
    "never-heard",
    "no-node",
    "no-run",
    "ended",
    "silent",
    "held",
    "not-due",  # its run is to begin yet
    "printing",  # its run has begun and nothing is known against it; it may rest, or print late
]
COUNTED_STATES: tuple[CountedState, ...] = get_args(CountedState)
_STATES = f"""
SELECT state, COUNT(*), COALESCE(SUM(heard), 0) FROM (
    SELECT CASE
        WHEN silent_since IS NOT NULL AND heard_at IS NULL AND last_reported_at IS NULL THEN 'never-heard'
        WHEN epoch = 0 THEN 'no-node'
        WHEN NOT has_run AND NOT has_next THEN 'no-run'
        WHEN stopped_at IS NOT NULL THEN 'ended'
        WHEN silent_since IS NOT NULL THEN 'silent'
        WHEN hold <> '' THEN 'held'
        WHEN has_run THEN 'printing'
        ELSE 'not-due' END AS state,
        CASE WHEN heard_at > %s THEN 1 ELSE 0 END AS heard
    FROM (
        SELECT machine.*, beat.heard_at AS heard_at,
            EXISTS (SELECT 1 FROM log_run WHERE machine_id = machine.id AND starts_at < %s AND {HAS_TO_COME})
                AS has_run,
            EXISTS (SELECT 1 FROM log_run
                WHERE machine_id = machine.id AND starts_at > %s AND withdrawn_at IS NULL) AS has_next
        FROM log_machine AS machine LEFT JOIN log_heartbeat AS beat ON beat.machine_id = machine.id
        WHERE machine.retired_at IS NULL
    ) AS known
) AS told GROUP BY state
"""


@dataclass(frozen=True)
class MachineCounts:
    """How many there are, but for those that were put away.

    Attributes:
        by_state: every state, those in which none is too.
        heard: whose node was heard since an instant. It is counted from words as they came, and needs no watch.
    """

    by_state: Mapping[CountedState, int]
    heard: int


def machine_counts(now: datetime, heard_since: datetime) -> MachineCounts:
    """How many there are at an instant, UTC; which count as heard, says another."""
    instants = [connection.ops.adapt_datetimefield_value(at) for at in (heard_since, now, now)]
    (rows,) = batched_sql.run([(_STATES, instants)], using=DEFAULT_DB_ALIAS)
    found = {state: count for state, count, _ in rows}
    return MachineCounts(
        {state: found.get(state, 0) for state in COUNTED_STATES}, sum(int(heard) for *_, heard in rows)
    )
