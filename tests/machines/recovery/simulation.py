"""A machine that does as it is told, in the simplest form that can be: column by column, on paper that is a list.

It stands beside the node's own program, and knows nothing of it: it takes decisions, and what it takes them to mean is
written here once more.

    power goes            comes back
    ----|---------------------|---------->  time, in seconds
        ordered, not seen     gap: what the sky passed meanwhile
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from machines.recovery import Cause, Columns, Decision, Gap, Override, Pace, Policy, Span, settle

START = datetime(2026, 3, 1, tzinfo=UTC)

Settled = Callable[[Policy, Gap, Pace, Decision], None]


@dataclass(frozen=True, kw_only=True)
class World:
    """What a history happens in. Column 0 belongs under the head at second 0.

    Attributes:
        columns: of the run.
        segment: columns in one.
        pace: of sky and machine.
        policy: of the run.
        closed: the venue's closed hours, of which all are known.
    """

    columns: int
    segment: int
    pace: Pace
    policy: Policy
    closed: tuple[Span, ...] = ()


@dataclass
class Machine:
    """The state of the world.

    Attributes:
        world: that it is in.
        settled: called with every settlement and the facts that it was made of.
        now: seconds.
        next: first column not accounted for.
        place: where on the paper it would lie.
        shift_s: how long the timeline has waited.
        laid: each column on the paper: which, where, and how many seconds after its instant of that moment.
        outcome: the last word on every column.
        asked_again: how often a decision named a column to be laid once more.
        decisions: all of them; ``settled_at`` is when, in seconds.
        true_again: what was laid at its instant after a replay, and when.
    """

    world: World
    settled: Settled
    now: float = 0.0
    next: int = 0
    place: int = 0
    shift_s: float = 0.0
    laid: list[tuple[int, int, float]] = field(default_factory=list)
    outcome: dict[int, str] = field(default_factory=dict)
    asked_again: Counter[int] = field(default_factory=Counter)
    decisions: list[Decision] = field(default_factory=list)
    settled_at: list[float] = field(default_factory=list)
    left_out: Columns | None = None
    blank: bool = False
    late: bool = False
    slow_while_open: bool = False
    free_at: float = 0.0
    begun: Columns | None = None  # the segment that was to be made good
    true_again: list[tuple[int, float]] = field(default_factory=list)

    def instant(self, column: int) -> float:
        """When the burst of a column belongs under the head."""
        return self.world.pace.burst_start(column) / self.world.pace.nominal_columns_per_s + self.shift_s

    def print_until(self, end: float) -> None:
        """Go on printing until a moment, or the end of the run."""
        while self.next < self.world.columns:
            begins = max(self.instant(self.next), self.free_at if self.late else -math.inf, self.now)
            if begins >= end:
                break
            self._lay(begins)
        self.now = max(self.now, end)

    def _lay(self, at: float) -> None:
        """One burst, or the part of it in one segment."""
        pace, first = self.world.pace, self.next
        end = min(pace.burst_start(first) + pace.columns_per_burst, self._segment_end(first), self.world.columns)
        due = self.instant(first)
        if self.late and due >= self.free_at:
            self.late = False
            self.true_again.append((first, at))
        for column in range(first, end):
            self.laid.append((column, self.place, at - due))
            self.outcome[column] = "printed"
            self.place += 1
        rate = pace.highest_columns_per_s
        if self.slow_while_open and not self._closed_at(at):
            rate = pace.nominal_columns_per_s
        self.now, self.free_at, self.next = at, at + (end - first) / rate, end
        self._pass_over()

    def lose_power(self, unseen: int, seconds: float, cause: Cause, override: Override | None) -> None:
        """Some columns were ordered that nobody saw finished; then nothing is printed for a time."""
        unknown_end = min(self.next + unseen, self._segment_end(self.next), self.world.columns)
        if self.left_out is not None:
            unknown_end = min(unknown_end, self.left_out.first)
        self.now += seconds
        self._settle(unknown_end, cause, override)

    def overrule(self, override: Override) -> bool:
        """A person's word while a replay is under way; whether one is."""
        if self.late and self.instant(self.next) < self.now:
            self._settle(self.next, "power", override)
            return True
        return False

    def _settle(self, unknown_end: int, cause: Cause, override: Override | None) -> None:
        pace = self.world.pace
        gap_end = max(unknown_end, min(self._first_after_now(), self.world.columns))
        if gap_end == self.next:
            return
        noticed_at = START + timedelta(seconds=self.now)
        gap = Gap(
            first=self.next,
            unknown_end=unknown_end,
            end=gap_end,
            cause=cause,
            noticed_at=noticed_at,
            missing_since=START + timedelta(seconds=self.instant(unknown_end)),
            segment=self._half_printed(unknown_end),
            closed=tuple(span for span in self.world.closed if span.ends_at > noticed_at),
            dots_per_column=20.5,
            override=override,
        )
        decision = settle(self.world.policy, gap, pace)
        self.settled(self.world.policy, gap, pace, decision)
        self._obey(gap, decision)

    def _obey(self, gap: Gap, decision: Decision) -> None:
        self.decisions.append(decision)
        self.settled_at.append(self.now)
        # This one takes over: what an earlier one left out from here on is due again, unless this one leaves it out.
        self.outcome = {c: o for c, o in self.outcome.items() if o != "left out" or c < gap.first}
        for column in range(gap.first, gap.unknown_end):
            self.outcome[column] = "unknown"
        for column in range(decision.again.first, decision.again.end):
            self.outcome.pop(column, None)
            self.asked_again[column] += 1
        self.place += len(decision.unknown)
        self.begun = gap.segment
        self.left_out = decision.skipped if decision.skipped else None
        self.blank = decision.action == "blank"
        self.slow_while_open = gap.rule(self.world.policy).only_while_closed
        self.late, self.free_at = decision.late > 0, self.now
        self.shift_s += decision.shift_s
        self.next = decision.again.first if decision.again else gap.unknown_end
        self._pass_over()

    def _pass_over(self) -> None:
        if self.left_out is not None and self.next == self.left_out.first:
            for column in range(self.left_out.first, self.left_out.end):
                self.outcome[column] = "left out"
            self.place += len(self.left_out) if self.blank else 0
            self.next, self.left_out = self.left_out.end, None

    def _first_after_now(self) -> int:
        pace = self.world.pace
        column = pace.burst_start_from(max(0, math.floor((self.now - self.shift_s) * pace.nominal_columns_per_s)))
        while self.instant(column) <= self.now:
            column += pace.columns_per_burst
        return column

    def _segment_end(self, column: int) -> int:
        return min((column // self.world.segment + 1) * self.world.segment, self.world.columns)

    def _half_printed(self, unknown_end: int) -> Columns | None:
        if self.begun is not None and self.begun.first <= self.next < self.begun.end:
            return self.begun
        last = unknown_end - 1
        ordered = last >= self.next or self.outcome.get(last) == "printed"
        if last < 0 or not ordered or (unknown_end == self._segment_end(last) and last < self.next):
            return None
        first = last // self.world.segment * self.world.segment
        return Columns(first=first, end=self._segment_end(last))

    def _closed_at(self, at: float) -> bool:
        instant = START + timedelta(seconds=at)
        return any(span.starts_at <= instant < span.ends_at for span in self.world.closed)
