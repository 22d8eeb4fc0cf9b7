"""The facts that an outage is settled by: what is missing, and how fast the sky turns and the machine can follow.

    laid ........| unknown |  missing ...........| due ...
                 ^ first   ^ unknown_end         ^ end

*Unknown* columns were ordered before the power went and nobody saw them finished. They may be on the paper, so they
are never ordered again unasked: whatever the rule, their place on the paper counts as used.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

from machines.errors import InputError
from machines.recovery.policy import Cause, Limit, Override, Policy, Rule


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


NO_COLUMNS = Columns(first=0, end=0)
# A machine that gains less than this on the sky needs six weeks for an hour: nobody would call that catching up.
LEAST_GAIN = 0.001


@dataclass(frozen=True, kw_only=True)
class Span:
    """A stretch of time, such as the hours in which a venue is closed."""

    starts_at: datetime
    ends_at: datetime

    def __post_init__(self) -> None:
        if self.ends_at <= self.starts_at:
            raise InputError("ends_at", "not after starts_at", "give an end after the start")


@dataclass(frozen=True, kw_only=True)
class Gap:
    """What the journal says is missing, and what of the rest only the node knows.

    Attributes:
        first: the first column with no outcome.
        unknown_end: end of the columns that were ordered and have no outcome.
        end: the first column that can still be laid at its instant.
        cause: why, as far as the node knows.
        noticed_at: when the node found it, by its estimate of server time.
        missing_since: the instant of column ``unknown_end``, the first that is missing; None if it is not known.
        segment: the segment of the last column ordered, if part of it is on the paper or may be, and not the whole is
            known to be; or the one that was to be finished or printed again. None if none is half printed.
        closed: the venue's closed hours that the node knows of, from ``noticed_at`` on; asked for only by a rule that
            catches up only while closed.
        dots_per_column: mean number of dots in the missing columns; None if the node does not hold their plates.
        override: a person's word that came in while the outage was open, in place of the policy.
    """

    first: int
    unknown_end: int
    end: int
    cause: Cause
    noticed_at: datetime
    missing_since: datetime | None = None
    segment: Columns | None = None
    closed: tuple[Span, ...] = ()
    dots_per_column: float | None = None
    override: Override | None = None

    def __post_init__(self) -> None:
        if not self.first <= self.unknown_end <= self.end:
            raise InputError("unknown_end", f"{self.unknown_end} lies outside the gap", "give first to end")
        if self.segment is not None and not self.segment.first <= self.unknown_end <= self.segment.end:
            problem = f"the first missing column, {self.unknown_end}, does not follow what was ordered of it"
            raise InputError("segment", problem, "give the segment that was being printed, or none")

    def rule(self, policy: Policy) -> Rule:
        """The rule that settles it: a person's word before the policy's."""
        return policy.rule_for(self.cause) if self.override is None else self.override.rule


@dataclass(frozen=True, kw_only=True)
class Pace:
    """How fast the sky turns and how fast the machine can follow.

    Attributes:
        nominal_columns_per_s: columns of the picture in a mean turn, over the seconds of a mean turn.
        highest_columns_per_s: the machine's sustained limit.
        columns_per_burst: its cadence.
        columns_per_turn: of the picture; needed for a limit in turns.
        mm_per_column: of paper; None where the cost is not asked for.
        ml_per_dot: of ink, 0 for a head without; None where the cost is not asked for.
        end_column: of the run, behind its last; None where catching up is told as if the run had no end.
    """

    nominal_columns_per_s: float
    highest_columns_per_s: float
    columns_per_burst: int
    columns_per_turn: int | None = None
    mm_per_column: float | None = None
    ml_per_dot: float | None = None
    end_column: int | None = None

    @property
    def ratio(self) -> float:
        """How many times faster than the sky the machine can print."""
        return self.highest_columns_per_s / self.nominal_columns_per_s

    @property
    def catches_up(self) -> bool:
        """Whether the machine is faster than the sky by so much that catching up means anything."""
        return self.ratio >= 1.0 + LEAST_GAIN

    def burst_start(self, column: int) -> int:
        """First running column of the burst that holds the given one."""
        return column - column % self.columns_per_burst

    def burst_start_from(self, column: int) -> int:
        """First running column of the first burst that begins at the given column or after it."""
        return -(-column // self.columns_per_burst) * self.columns_per_burst

    def columns_within(self, limit: Limit) -> int:
        """How many whole columns the sky turns by within a limit.

        Raises:
            InputError: the limit is in turns, and the columns of a turn are not known.
        """
        if limit.unit == "hours":
            return _whole(limit.value * 3600.0 * self.nominal_columns_per_s)
        if self.columns_per_turn is None:
            raise InputError("within.unit", "the columns of a turn are not known", "give the limit in hours")
        return _whole(limit.value * self.columns_per_turn)


def _whole(columns: float) -> int:
    # The tolerance is for counts such as 0.29 turns of 100 columns, which are not 29 in binary.
    return math.floor(columns * (1 + 1e-12))
