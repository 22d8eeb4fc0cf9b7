"""How many cuts were made with the blades that machines have now."""

from __future__ import annotations

from collections.abc import Sequence

from django.db import DEFAULT_DB_ALIAS

from machines.imaging.patterns import CUT_PATTERNS
from scheduling.log import batched_sql

# One question for all machines, each counted from its own newest change: Django's own queries would ask for that change
# anew at every strip.
_SINCE = """LEFT JOIN (SELECT machine_id, MAX(version) AS version FROM log_supplychange WHERE part = 'blade'
        GROUP BY machine_id) AS newest ON newest.machine_id = {of}.machine_id
    LEFT JOIN log_supplychange AS change
        ON change.machine_id = newest.machine_id AND change.version = newest.version"""
_BY_ITSELF = f"""SELECT run.machine_id AS machine_id, COUNT(*) AS made
    FROM log_run AS run JOIN log_strip AS strip ON strip.run_id = run.id {_SINCE.format(of="run")}
    WHERE run.machine_id IN ({{ids}}) AND strip.made AND (change.at IS NULL OR strip.at > change.at)
    GROUP BY run.machine_id"""
_BY_HAND = f"""SELECT hand.machine_id AS machine_id, COUNT(*) AS made
    FROM log_handuse AS hand {_SINCE.format(of="hand")}
    WHERE hand.machine_id IN ({{ids}}) AND hand.seen_done AND (change.at IS NULL OR hand.at > change.at)
        AND (hand.action = 'cut' OR hand.pattern IN ({{patterns}}))
    GROUP BY hand.machine_id"""


def cuts_since_blade(machines: Sequence[str]) -> dict[str, int]:
    """How many cuts each machine's blade has made since it was put in, by the machine's id; since the machine's first
    where nobody told of a change. One query; a machine whose knife has not cut is not named."""
    if not machines:
        return {}
    ids, patterns = (", ".join(["%s"] * len(some)) for some in (machines, CUT_PATTERNS))
    counted = f"{_BY_ITSELF} UNION ALL {_BY_HAND}".format(ids=ids, patterns=patterns)
    values = [*machines, *machines, *CUT_PATTERNS]
    (found,) = batched_sql.run([(counted, values)], using=DEFAULT_DB_ALIAS)
    made: dict[str, int] = {}
    for machine, cuts in found:
        made[machine] = made.get(machine, 0) + cuts
    return made
