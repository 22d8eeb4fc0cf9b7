"""What the server says of what a board told, beside it: see `scheduling.log.events`."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any, ClassVar

from machines.recovery import Columns, Decision


@dataclass(frozen=True, kw_only=True)
class SettlementDiffered:
    """The server, with the same facts, would have settled a gap otherwise than its node did; a person must look."""

    stream: ClassVar[str] = "machine"
    run: str
    seq: int
    ours: Decision


@dataclass(frozen=True, kw_only=True)
class WordPassedOver:
    """A person's word on an outage was not followed, and the outage is over.

    Attributes:
        run: which was being printed.
        override: id of the word.
        given_at: when it was given.
        settled_at: when the node settled the outage without it; None if nothing was missing.
        over_at: when nothing was left of it to decide; both by the node's estimate of the server's time.
    """

    stream: ClassVar[str] = "machine"
    run: str
    override: str
    given_at: datetime
    settled_at: datetime | None
    over_at: datetime


@dataclass(frozen=True, kw_only=True)
class _AsTold:
    """An entry of a node's journal that is not taken as the node told it.

    Attributes:
        seq: its number.
        entry: what the node told, whole.
        field, problem: why, or what was taken otherwise.
    """

    stream: ClassVar[str] = "machine"
    seq: int
    entry: dict[str, Any]
    field: str
    problem: str


@dataclass(frozen=True, kw_only=True)
class EntrySetAside(_AsTold):
    """It is kept as it was told, and no view takes it: it may be true of the paper, but this server does not understand
    it, or it does not fit what this server knows of the run."""


@dataclass(frozen=True, kw_only=True)
class EntryReadInPart(_AsTold):
    """The entry just before was taken, but not all of it as the node told it: it has a field that is not known here, or
    an instant that cannot be."""


@dataclass(frozen=True, kw_only=True)
class EntryToldTwice(_AsTold):
    """It tells of columns that were told before under another number, of the same places on the paper: a journal that
    lost what it wrote last tells them once more. It is kept as it was told, and counted once."""


@dataclass(frozen=True, kw_only=True)
class EntryPassedOver:
    """A view could not take an entry of a node's journal, and goes on without it.

    Attributes:
        seq: its number.
        view: which.
        problem: why.
    """

    stream: ClassVar[str] = "machine"
    seq: int
    view: str
    problem: str


@dataclass(frozen=True, kw_only=True)
class ReportsRefused:
    """A node told what cannot be. Its journal cannot be taken from there on, and a person must look.

    Attributes:
        field, problem: where it stands in the batch, and what is wrong with it.
    """

    stream: ClassVar[str] = "machine"
    field: str
    problem: str


@dataclass(frozen=True, kw_only=True)
class ReportsTakenAgain:
    """A node whose reports were refused told something that could be taken."""

    stream: ClassVar[str] = "machine"


@dataclass(frozen=True, kw_only=True)
class RunNotKnown:
    """A machine told, for the first time, of a run that is not known here.

    Attributes:
        run: id.
        since: when what it told happened.
        zone: of its venue.
    """

    stream: ClassVar[str] = "machine"
    run: str
    since: datetime
    zone: str


@dataclass(frozen=True, kw_only=True)
class PrintedByEarlierPlan:
    """A node told of columns that it printed by what was said of a run before people changed it: they lie on the paper,
    and are none of the run as it is now.

    Attributes:
        seq: number of the entry.
        entry: what the node told, whole.
        at: when the last of them was laid.
        was: id of the run.
        segment: number, by the plan before.
        columns: which.
        paper_position: place on the paper of the first.
        worst_miss_s: of them, late positive.
    """

    stream: ClassVar[str] = "machine"
    seq: int
    entry: dict[str, Any]
    at: datetime
    was: str
    segment: int
    columns: Columns
    paper_position: int
    worst_miss_s: float


@dataclass(frozen=True, kw_only=True)
class PrintedThoughWithdrawn:
    """A machine told, for the first time, of columns of a run that had been withdrawn: its board did not know.

    Attributes:
        run: id.
        columns: how many it told of first.
    """

    stream: ClassVar[str] = "machine"
    run: str
    columns: int


@dataclass(frozen=True, kw_only=True)
class EntriesToldAgain:
    """A node told once more what a server had taken from it and had lost.

    Attributes:
        count: how many entries.
        first_at, last_at: when the first and the last of what they tell happened.
        runs: of which they tell.
        zone: of the machine's venue.
    """

    stream: ClassVar[str] = "machine"
    count: int
    first_at: datetime
    last_at: datetime
    runs: tuple[str, ...]
    zone: str


AboutReports = (
    SettlementDiffered
    | WordPassedOver
    | EntrySetAside
    | EntryReadInPart
    | EntryToldTwice
    | EntryPassedOver
    | ReportsRefused
    | ReportsTakenAgain
    | RunNotKnown
    | PrintedThoughWithdrawn
    | PrintedByEarlierPlan
    | EntriesToldAgain
)
