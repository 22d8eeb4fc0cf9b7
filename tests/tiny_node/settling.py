"""What becomes of columns that are missing, by the two plain rules that this node knows: left out, or printed late."""

from __future__ import annotations

import math
from typing import Any

from tests.tiny_node.work import Held


class NotKnown(Exception):
    """The policy asks for what this node cannot do; it prints nothing, and says why."""


def rule_for(policy: dict[str, Any], cause: str) -> dict[str, Any]:
    """The rule of a run after an outage of some cause."""
    exceptions = (one["rule"] for one in policy.get("by_cause", ()) if cause in one["causes"])
    return next(exceptions, policy)


def decide(held: Held, cause: str, first: int, unknown_end: int, end: int) -> dict[str, Any]:
    """What becomes of columns ``unknown_end`` to ``end``, which are missing; those from ``first`` on before them were
    ordered and may lie on the paper, and are never ordered again.

    Printing late, the machine gains on the sky what it lays beyond the sky's rate; it is true again once it has gained
    what it is late by, at the beginning of a burst.

    Raises:
        NotKnown: by no rule that this node knows.
    """
    rule = rule_for(held.work["policy"], cause)
    plain = rule.get("half_printed", "as-the-rest") == "as-the-rest" and not rule.get("only_while_closed")
    if rule["kind"] not in ("skip", "replay") or not plain:
        raise NotKnown(f"this node can skip and replay, and not {rule}")
    sky = 1.0 / held.column_s
    late = end - unknown_end if rule["kind"] == "replay" and held.gain > sky * 1.001 else 0
    seconds = late / (held.gain - sky) if late else 0.0
    true_again = end
    if late:
        true_again = -(-(end + math.ceil(seconds * sky)) // held.cadence) * held.cadence
        if true_again > held.run["end_column"]:  # the run is over before: what is left is late to its last column
            true_again = max(end, held.run["end_column"])
            seconds = (late + held.run["end_column"] - end) / held.gain
    late_from = unknown_end if late else end
    return {
        "action": "replay" if late else "skip",
        "unknown": {"first": first, "end": unknown_end},
        "skipped": {"first": unknown_end, "end": late_from},
        "replayed": {"first": late_from, "end": end},
        "true_again": true_again,
        "hours_until_true": seconds / 3600.0,
        "reason": "printed late" if late else "left out",
    }
