"""The policy after an outage: one pure function, called by the node and by the server.

The node calls it when it finds from its journal that columns are missing; the server calls it again with the same
facts when the report arrives, and says so if the results differ.

    laid ........| unknown |  missing ...........| due ...
                 ^ first   ^ unknown_end         ^ end

*Unknown* columns were ordered before the power went and nobody saw them finished. They may be on the paper, so they
are never ordered again: whatever the policy, their place on the paper is passed over.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from machines.errors import InputError

Cause = Literal["power", "clock", "no-work", "late-start", "machine", "service"]


@dataclass(frozen=True, kw_only=True)
class Columns:
    """Running columns from ``first`` to before ``end``; empty when they are equal."""

    first: int
    end: int

    def __post_init__(self) -> None:
        if self.end < self.first:
            raise InputError("end", f"{self.end} is before the first column {self.first}", "give first or more")

    def __len__(self) -> int:
        return self.end - self.first


@dataclass(frozen=True, kw_only=True)
class Policy:
    """What happens to columns whose instant has passed unprinted.

    Attributes:
        kind: ``skip`` stays true to the sky and leaves them out; ``replay`` prints them as fast as the machine may,
            until it is true to the sky again.
    """

    kind: Literal["skip", "replay"]


@dataclass(frozen=True, kw_only=True)
class Gap:
    """What the journal says is missing.

    Attributes:
        first: the first column with no outcome.
        unknown_end: end of the columns that were ordered and have no outcome.
        end: the first column that can still be laid at its instant.
        cause: why, as far as the node knows.
        noticed_at: when the node found it, by its estimate of server time.
    """

    first: int
    unknown_end: int
    end: int
    cause: Cause
    noticed_at: datetime

    def __post_init__(self) -> None:
        if not self.first <= self.unknown_end <= self.end:
            raise InputError("unknown_end", f"{self.unknown_end} lies outside the gap", "give first to end")


@dataclass(frozen=True, kw_only=True)
class Pace:
    """How fast the sky turns and how fast the machine can follow.

    Attributes:
        nominal_columns_per_s: columns of the picture in a mean turn, over the seconds of a mean turn.
        highest_columns_per_s: the machine's sustained limit.
        columns_per_burst: its cadence.
    """

    nominal_columns_per_s: float
    highest_columns_per_s: float
    columns_per_burst: int

    @property
    def ratio(self) -> float:
        """How many times faster than the sky the machine can print."""
        return self.highest_columns_per_s / self.nominal_columns_per_s


@dataclass(frozen=True, kw_only=True)
class Decision:
    """How a gap is settled; every column of the gap is in exactly one of the three ranges.

    Attributes:
        action: what is done.
        unknown: passed over, perhaps on the paper.
        skipped: left out.
        replayed: laid late.
        true_again: the first column that is laid at its instant again.
        hours_until_true: how long that takes at the machine's highest rate.
        reason: in words, for people.
    """

    action: Literal["skip", "replay"]
    unknown: Columns
    skipped: Columns
    replayed: Columns
    true_again: int
    hours_until_true: float
    reason: str


def settle(policy: Policy, gap: Gap, pace: Pace) -> Decision:
    """Decide what becomes of a gap.

    With a backlog of B columns, a nominal rate v and a highest rate w, catching up takes B / (w - v) seconds, in which
    the sky turns on by v B / (w - v) columns. A machine that is no faster than the sky can only skip.
    """
    unknown = Columns(first=gap.first, end=gap.unknown_end)
    backlog = Columns(first=gap.unknown_end, end=gap.end)
    if policy.kind == "replay" and backlog and pace.ratio > 1.0:
        return _replay(unknown, backlog, pace)
    reason = "the policy is to stay true to the sky and leave out what was missed"
    if policy.kind == "replay":
        reason = (
            "nothing is left to replay" if not backlog else "the machine is no faster than the sky: cannot catch up"
        )
    return Decision(
        action="skip",
        unknown=unknown,
        skipped=backlog,
        replayed=Columns(first=gap.end, end=gap.end),
        true_again=gap.end,
        hours_until_true=0.0,
        reason=reason,
    )


def _replay(unknown: Columns, backlog: Columns, pace: Pace) -> Decision:
    seconds = len(backlog) / (pace.highest_columns_per_s - pace.nominal_columns_per_s)
    behind = backlog.end + math.ceil(seconds * pace.nominal_columns_per_s)
    true_again = math.ceil(behind / pace.columns_per_burst) * pace.columns_per_burst
    return Decision(
        action="replay",
        unknown=unknown,
        skipped=Columns(first=backlog.end, end=backlog.end),
        replayed=backlog,
        true_again=true_again,
        hours_until_true=seconds / 3600.0,
        reason=f"the policy is to print what was missed, {pace.ratio:.3g} times as fast as the sky turns",
    )
