"""The messages between server and node.

Server to node: `Work`, what a node should hold now. Node to server: `Reports`, its journal's entries in order, each
with the node's own sequence number, so that the server takes each once however often it is sent. All instants are UTC.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from machines.calibration import Calibration
from machines.errors import InputError
from machines.profile import Profile
from machines.recovery import Columns, Decision, Gap, Override, Pace, Policy, Span
from machines.structure import structure, unstructure
from machines.supplies import use


@dataclass(frozen=True, kw_only=True)
class SegmentWork:
    """A stretch of columns with the instants at which they belong under the head.

    Attributes:
        number: of the segment; never depends on when it was planned.
        first_column, end_column: its running columns, the end excluded.
        plate: digest of the plate whose dots they are.
        knots: instants of equally spaced places from the first column to the end, both included; in between, time runs
            evenly, to within a hundredth of a column.
    """

    number: int
    first_column: int
    end_column: int
    plate: str
    knots: tuple[datetime, ...]

    def __post_init__(self) -> None:
        if self.end_column <= self.first_column:
            raise InputError(
                "end_column", f"{self.end_column} is not past the first column", "give at least one column"
            )
        if len(self.knots) < 2 or any(b <= a for a, b in zip(self.knots, self.knots[1:], strict=False)):
            raise InputError("knots", "fewer than two, or not increasing", "give increasing instants")

    def instants(self, columns: NDArray[np.int64]) -> NDArray[np.float64]:
        """When running columns of this segment (its end included) belong under the head, POSIX seconds."""
        places = np.linspace(self.first_column, self.end_column, len(self.knots))
        return np.interp(columns, places, [knot.timestamp() for knot in self.knots])


@dataclass(frozen=True, kw_only=True)
class RunWork:
    """The run that a machine is on.

    Attributes:
        id: of the run.
        first_column, end_column: the run's running columns, the end excluded.
        strips_per_turn: the knife cuts each turn into so many strips of whole columns; 0 for none.
        nozzle_seed: of the assignment of nozzles to dots.
        mean_turn_s: length of a mean turn of the cycle, seconds.
        first_unaccounted: the first column of the segments offered that nobody has accounted for; None where nothing is
            offered. It tells a board that takes over where the one before it stopped; a board with a journal of the run
            goes by that.
        shift_s: by how much the timeline has waited already, seconds, as far as was reported: columns belong so much
            later under the head than the segments' knots say. A node that has settled more knows better.
    """

    id: str
    first_column: int
    end_column: int
    strips_per_turn: int
    nozzle_seed: int
    mean_turn_s: float
    first_unaccounted: int | None = None
    shift_s: float = 0.0

    def __post_init__(self) -> None:
        if not 0.0 <= self.shift_s < float("inf"):
            raise InputError("shift_s", f"{self.shift_s} s", "give 0 or more")


@dataclass(frozen=True, kw_only=True)
class Work:
    """What a node should hold now; ``run`` is None when there is nothing to print.

    Attributes:
        epoch: of the machine's credentials; a report with an older one is refused.
        plates: digests of the plates that the segments need, to be fetched ahead.
        segments: in order; those that the server has not seen reported, up to the horizon asked for.
        poll_after_s: when to ask again, seconds.
        calibration: what was measured of this machine; None for nothing.
        override: the newest word of a person on an outage of this run; it holds if that outage is still open.
        closed: the venue's closed hours, in order, as far as the server tells them.
    """

    epoch: int
    run: RunWork | None
    policy: Policy | None
    profile: Profile
    plates: tuple[str, ...]
    segments: tuple[SegmentWork, ...]
    poll_after_s: float
    calibration: Calibration | None = None
    override: Override | None = None
    closed: tuple[Span, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """The message as JSON values."""
        return unstructure(self)

    @classmethod
    def from_json(cls, data: Any) -> Work:
        """Read the message.

        Raises:
            InputError: names what is wrong with it.
        """
        return structure(data, cls)


def pace(profile: Profile, run: RunWork) -> Pace:
    """The pace that both sides settle outages with."""
    return Pace(
        nominal_columns_per_s=profile.columns_per_turn / run.mean_turn_s,
        highest_columns_per_s=profile.highest_columns_per_s(),
        columns_per_burst=profile.columns_per_burst,
        columns_per_turn=profile.columns_per_turn,
        mm_per_column=profile.column_pitch_mm,
        ml_per_dot=use(profile, columns=0, dots=1).picture_ml,
    )


@dataclass(frozen=True, kw_only=True)
class NodeStarted:
    """The agent began.

    Attributes:
        unplanned_stop: the one before it did not end in order; the knife is disarmed until a person arms it.
    """

    seq: int
    at: datetime
    unplanned_stop: bool
    kind: Literal["node-started"] = "node-started"


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
    """A replay has caught up: this column was laid at its instant again."""

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
        made: False when the knife was disarmed; that strip hangs on to the next.
    """

    seq: int
    at: datetime
    run: str
    boundary: int
    paper_position: int
    made: bool
    kind: Literal["strip-cut"] = "strip-cut"


@dataclass(frozen=True, kw_only=True)
class KnifeArmed:
    """A person at the machine armed the knife."""

    seq: int
    at: datetime
    kind: Literal["knife-armed"] = "knife-armed"


@dataclass(frozen=True, kw_only=True)
class ConditionsChanged:
    """The machine's conditions are now these: keywords of RFC 8011 section 5.4.12 and PWG 5100.9; empty for none."""

    seq: int
    at: datetime
    keywords: tuple[str, ...]
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
    "feed",
    "cut",
    "test-pattern",
    "set-time",
    "place-set",
]
TestPattern = Literal["nozzles", "feed-ruler", "knife-scale", "squareness", "tone-wedge"]


@dataclass(frozen=True, kw_only=True)
class OperatorActed:
    """A person at the machine did or asked for something.

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
    | ColumnsPrinted
    | GapSettled
    | TrueAgain
    | StripCut
    | KnifeArmed
    | ConditionsChanged
    | OperatorActed
    | SetTimeCompared
    | SlipMeasured
    | FeedCorrected
)


@dataclass(frozen=True, kw_only=True)
class Status:
    """How the node is at this moment. Telemetry, not fact: the server keeps only the newest.

    Attributes:
        at: by its estimate of server time.
        next_column: the running column that it will lay next; None without a run.
        paper_position: columns of paper fed since the machine's first.
        clock_error_s: bound on the error of its estimate of server time, seconds; None before the first sync.
        knife_armed: whether the knife will cut.
        held_until: end of the work that it holds; None without work.
    """

    at: datetime
    next_column: int | None
    paper_position: int
    clock_error_s: float | None
    knife_armed: bool
    held_until: datetime | None


@dataclass(frozen=True, kw_only=True)
class Taken:
    """How much the server has of a journal of an earlier epoch: told to a board that is enrolled again.

    Attributes:
        epoch: of that journal.
        through: number of its last entry.
        at: of that entry, by which the board sees that it wrote it itself.
    """

    epoch: int
    through: int
    at: datetime


@dataclass(frozen=True, kw_only=True)
class Reports:
    """A batch of the journal, in order of ``seq``, without holes."""

    epoch: int
    entries: tuple[Entry, ...]
    status: Status | None = None

    def as_json(self) -> dict[str, Any]:
        """The message as JSON values."""
        return unstructure(self)

    @classmethod
    def from_json(cls, data: Any) -> Reports:
        """Read the message.

        Raises:
            InputError: names what is wrong with it.
        """
        return structure(data, cls)
