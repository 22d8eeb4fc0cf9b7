"""The entries of a node's journal: what happened at a machine, each a fact that the server takes into its log as it is.

Each carries the node's own sequence number and when it happened, by the node's estimate of server time, UTC.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from machines.recovery import Columns, Decision, Gap, Policy

# Why a knife that is armed did not cut.
Uncut = Literal["quiet", "passed"]


@dataclass(frozen=True, kw_only=True)
class NodeStarted:
    """The agent began.

    Attributes:
        unplanned_stop: the one before it did not end in order; the knife is disarmed until a person arms it.
        goes_on: after such a stop, nobody has to let it go on, as it may resume unattended; older boards did not say.
    """

    seq: int
    at: datetime
    unplanned_stop: bool
    goes_on: bool = False
    kind: Literal["node-started"] = "node-started"


@dataclass(frozen=True, kw_only=True)
class NodeStopped:
    """The agent ended in order; nothing is printed until one begins again."""

    seq: int
    at: datetime
    kind: Literal["node-stopped"] = "node-stopped"


@dataclass(frozen=True, kw_only=True)
class ColumnsPrinted:
    """Columns of one segment lie on the paper, side by side.

    Attributes:
        at: when the last of them was laid.
        columns: which.
        columns_done: how many columns of the segment are on the paper by now.
        paper_position: column place on the paper, counted from the machine's first, of ``columns.first``.
        worst_miss_s: largest distance between when a column was laid and its burst's instant, seconds, late positive.
    """

    seq: int
    at: datetime
    run: str
    segment: int
    columns: Columns
    columns_done: int
    paper_position: int
    worst_miss_s: float
    kind: Literal["columns-printed"] = "columns-printed"


@dataclass(frozen=True, kw_only=True)
class GapSettled:
    """Columns are missing, and the node settled by policy what becomes of them.

    Attributes:
        at: when it did.
        gap: the facts.
        policy: by which.
        decision: what follows from both.
        paper_position: column place on the paper at which ``gap.first`` would lie.
    """

    seq: int
    at: datetime
    run: str
    gap: Gap
    policy: Policy
    decision: Decision
    paper_position: int
    kind: Literal["gap-settled"] = "gap-settled"


@dataclass(frozen=True, kw_only=True)
class TrueAgain:
    """A replay is over: this column was laid at its instant again. Or it is the end of the run, which came before the
    machine had caught up: nothing of the run is due any more."""

    seq: int
    at: datetime
    run: str
    column: int

    kind: Literal["true-again"] = "true-again"


@dataclass(frozen=True, kw_only=True)
class StripCut:
    """The knife came to the place of a strip's boundary.

    Attributes:
        boundary: first running column of the strip after it.
        paper_position: place on the paper of the cut.
        made: False when the knife was disarmed or held, or too late; that strip hangs on to the next.
        why: why a knife that is armed did not cut: it was held for quiet hours; or the place had passed it already, as
            where it was measured anew, or where paper was fed while it was off. None where it was not armed.
    """

    seq: int
    at: datetime
    run: str
    boundary: int
    paper_position: int
    made: bool
    why: Uncut | None = None
    kind: Literal["strip-cut"] = "strip-cut"


@dataclass(frozen=True, kw_only=True)
class KnifeArmed:
    """A person at the machine armed the knife."""

    seq: int
    at: datetime
    kind: Literal["knife-armed"] = "knife-armed"


Disarming = Literal[
    "stopped", "paused", "parked", "unplanned-stop", "refusing", "machine", "jam", "supplies", "enrolled"
]


@dataclass(frozen=True, kw_only=True)
class KnifeDisarmed:
    """The knife was armed, and cuts no more until a person arms it. One that an unplanned stop disarms is told by the
    start after it.

    Attributes:
        at: when; where the time was not known, when it was known again.
        why: what held the machine, as `machines.node.store.operator_actions` names it, or why it stopped or disarmed
            its knife itself; or that the board was enrolled anew.
    """

    seq: int
    at: datetime
    why: Disarming
    kind: Literal["knife-disarmed"] = "knife-disarmed"


@dataclass(frozen=True, kw_only=True)
class ConditionsChanged:
    """The machine's conditions are now these: keywords of RFC 8011 section 5.4.12 and PWG 5100.9; empty for none.

    Attributes:
        goes_on: what stopped it is over, and nobody has to let it go on; older boards did not say.
    """

    seq: int
    at: datetime
    keywords: tuple[str, ...]
    goes_on: bool = False
    kind: Literal["conditions-changed"] = "conditions-changed"


@dataclass(frozen=True, kw_only=True)
class SlipMeasured:
    """The paper is further from where it was ordered than the profile's threshold, or by as much further than was said
    last; below 0 it lags behind.

    Attributes:
        column: the running column that is laid next.
        slip_mm: measured minus ordered place.
        slip_s: the same in seconds of the run, at its mean rate.
        slip_degrees: the same in degrees of the turn.
    """

    seq: int
    at: datetime
    run: str
    column: int
    slip_mm: float
    slip_s: float
    slip_degrees: float
    kind: Literal["slip-measured"] = "slip-measured"


@dataclass(frozen=True, kw_only=True)
class FeedCorrected:
    """The paper is where it was ordered, as far as can be told, after small corrections where the picture is blank.

    Attributes:
        column: the running column that is laid next.
        corrected_mm: all corrections since the last such entry; further on positive.
        slip_mm: what is left.
    """

    seq: int
    at: datetime
    run: str
    column: int
    corrected_mm: float
    slip_mm: float
    kind: Literal["feed-corrected"] = "feed-corrected"


Action = Literal[
    "stop",
    "release",
    "pause",
    "park",
    "resume",
    "roll-changed",
    "cartridge-changed",
    "blade-changed",
    "roll-not-changed",
    "cartridge-not-changed",
    "blade-not-changed",
    "feed",
    "cut",
    "test-pattern",
    "set-time",
    "place-set",
]
TestPattern = Literal["nozzles", "feed-ruler", "knife-scale", "squareness", "tone-wedge"]


@dataclass(frozen=True, kw_only=True)
class OperatorActed:
    """A person at the machine did or asked for something. That a part was not changed takes back what was said last of
    it, which was a mistake.

    Attributes:
        at: when the node took it up; where the time was not known, when it was known again.
        action: what.
        pattern: of a test pattern, which.
        paper_position: place on the paper where what was fed or printed by hand begins, or where it was cut; where the
            paper was by the node's journal, if a person told the machine its place; None for other actions.
        paper_columns: of paper that it took, beside what any run takes; they are never printed on again.
        seen_done: False where the machine stopped in it, or nobody saw it finished.
        error_s: of a time that was set, by how much it may be wrong, seconds.
    """

    seq: int
    at: datetime
    action: Action
    pattern: TestPattern | None = None
    paper_position: int | None = None
    paper_columns: int = 0
    seen_done: bool = True
    error_s: float | None = None
    kind: Literal["operator-acted"] = "operator-acted"


@dataclass(frozen=True, kw_only=True)
class SetTimeCompared:
    """The server's time was heard again after a person had set the time at the board: the server's word counts.

    Attributes:
        at: by the server.
        ahead_s: how far the time that was set was ahead of the server's, seconds; negative behind.
        error_s: by how much the person said it may be wrong, seconds.
    """

    seq: int
    at: datetime
    ahead_s: float
    error_s: float
    kind: Literal["set-time-compared"] = "set-time-compared"


Entry = (
    NodeStarted
    | NodeStopped
    | ColumnsPrinted
    | GapSettled
    | TrueAgain
    | StripCut
    | KnifeArmed
    | KnifeDisarmed
    | ConditionsChanged
    | OperatorActed
    | SetTimeCompared
    | SlipMeasured
    | FeedCorrected
)
