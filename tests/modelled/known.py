"""What a model of the server knows of one machine: plain values, which can be copied and put back."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Literal

from machines.model.profile import Profile
from machines.protocol.journal_entries import Entry
from machines.protocol.messages import RunWork, SegmentWork
from machines.recovery import Override, Policy

Fate = Literal["skipped", "unknown", "printed"]
# What is surer to be on the paper counts.
SURENESS: Mapping[Fate, int] = {"skipped": 1, "unknown": 2, "printed": 3}


@dataclass
class Planned:
    """A run, and what became of its columns.

    Attributes:
        work: as a node gets it, but for what follows from reports.
        policy: after an outage.
        segments: in order.
        starts_at: as it was planned.
        fates: running column to what became of it; also of columns of no segment that is planned yet.
        again: columns that are to be printed once more.
        shifts: from which column on the timeline has waited, and how long, seconds.
        laid_at: the newest instant at which columns were laid; None before the first.
    """

    work: RunWork
    policy: Policy
    segments: list[SegmentWork]
    starts_at: datetime
    fates: dict[int, Fate] = field(default_factory=dict)
    again: set[int] = field(default_factory=set)
    shifts: list[tuple[int, float]] = field(default_factory=list)
    laid_at: datetime | None = None

    def give(self, columns: range, fate: Fate) -> None:
        """What became of columns; of several words the surest counts."""
        for column in columns:
            if self.work.first_column <= column < self.work.end_column:
                before = self.fates.get(column)
                if before is None or SURENESS[before] < SURENESS[fate]:
                    self.fates[column] = fate

    def waited_s(self, before: int) -> float:
        """How long the timeline has waited before a column, seconds."""
        return sum(shift_s for column, shift_s in self.shifts if column < before)

    def begins(self, segment: SegmentWork) -> datetime:
        """When a segment begins, by the timeline as it is now."""
        return segment.knots[0] + timedelta(seconds=self.waited_s(segment.first_column + 1))

    def ends(self, segment: SegmentWork) -> datetime:
        """When it ends."""
        return segment.knots[-1] + timedelta(seconds=self.waited_s(segment.end_column))

    def due_of(self, segment: SegmentWork) -> Iterator[int]:
        """Columns of a segment that have no outcome, or are to be printed once more."""
        columns = range(segment.first_column, segment.end_column)
        return (column for column in columns if column not in self.fates or column in self.again)

    def is_open(self, segment: SegmentWork) -> bool:
        """Whether it has such columns."""
        return next(self.due_of(segment), None) is not None

    @property
    def counts(self) -> dict[Fate, int]:
        """How many columns of segments have each fate."""
        found: dict[Fate, int] = dict.fromkeys(SURENESS, 0)
        for segment in self.segments:
            for fate in self.fates_of(segment):
                found[fate] += 1
        return found

    def fates_of(self, segment: SegmentWork) -> list[Fate]:
        """Those of a segment's columns that have one."""
        return [
            self.fates[column] for column in range(segment.first_column, segment.end_column) if column in self.fates
        ]

    @property
    def has_columns_to_come(self) -> bool:
        """Whether a machine is not done with it."""
        return bool(self.again) or sum(self.counts.values()) < self.work.end_column - self.work.first_column


@dataclass
class Word:
    """A person's, on an outage of a run.

    Attributes:
        said: what the node is told.
        run: which.
        used: the node settled by it.
        passed_over: it did not, and what it was about is over.
    """

    said: Override
    run: str
    used: bool = False
    passed_over: bool = False


@dataclass
class Outage:
    """Something that was missing.

    Attributes:
        run: of which.
        true_again_at: when what was to be printed late of it was; None before.
    """

    run: str
    true_again_at: datetime | None


@dataclass
class Known:
    """All that a server knows of a machine and its boards.

    Attributes:
        machine: id.
        profile: of it.
        epoch: of the newest enrolment; 0 before the first.
        tokens: of every enrolment, with its epoch.
        codes: that were not used yet.
        facts: kind and data of what was written down of the machine, in order: entries as they were told.
        taken: what is understood of the newest board's entries, in order.
        stretches: run, columns and place of all that was printed.
        runs: by id.
        told_before: entries of runs that are not known, by run.
        words, outages: in order.
        hold: what holds the machine, as far as was told; empty for nothing.
        held_since: since when.
        conditions: what it says, as far as was told.
        knife_armed: whether its knife is, likewise.
        heard_at: when the board was heard last; None before.
        fed: columns of paper that were told to be fed.
        changes: counts what may change the work.
    """

    machine: str
    profile: Profile
    epoch: int = 0
    tokens: dict[str, int] = field(default_factory=dict)
    codes: set[str] = field(default_factory=set)
    facts: list[dict[str, Any]] = field(default_factory=list)
    taken: list[Any] = field(default_factory=list)
    stretches: list[tuple[str, int, int, int]] = field(default_factory=list)
    runs: dict[str, Planned] = field(default_factory=dict)
    told_before: dict[str, list[Entry]] = field(default_factory=dict)
    words: list[Word] = field(default_factory=list)
    outages: list[Outage] = field(default_factory=list)
    hold: str = ""
    held_since: datetime | None = None
    conditions: list[str] = field(default_factory=list)
    knife_armed: bool = False
    heard_at: datetime | None = None
    fed: int = 0
    changes: int = 0

    @property
    def accepted_through(self) -> int:
        """Number of the newest board's last entry that was taken."""
        return len(self.taken)

    def write(self, kind: str, /, **data: Any) -> None:
        """Write a fact down."""
        self.facts.append({"kind": kind, "data": data})

    def in_order(self) -> list[Planned]:
        """The runs, the earliest first."""
        return sorted(self.runs.values(), key=lambda run: (run.starts_at, run.work.id))

    def current(self, before: datetime) -> Planned | None:
        """The earliest run that starts before an instant and has columns to come."""
        return next(iter(self.to_come(before)), None)

    def to_come(self, before: datetime) -> list[Planned]:
        """All of them, in the order in which they are printed."""
        return [run for run in self.in_order() if run.starts_at < before and run.has_columns_to_come]

    def late_outage(self, run: str) -> Outage | None:
        """The newest outage of a run of which something is still being printed late."""
        late = [outage for outage in self.outages if outage.run == run and outage.true_again_at is None]
        return late[-1] if late else None
