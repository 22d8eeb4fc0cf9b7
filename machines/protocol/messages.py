"""The messages between server and node.

Server to node: `Work`, what a node should hold now. Node to server: `Reports`, its journal's entries
(`machines.protocol.journal_entries`) in order, so that the server takes each once however often it is sent. All
instants are UTC.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from machines.clock import utc
from machines.errors import InputError
from machines.model.calibration import Calibration
from machines.model.profile import Profile
from machines.model.supplies import use
from machines.protocol.journal_entries import Entry
from machines.protocol.recesses import Recess
from machines.protocol.upcasts import entry_json
from machines.recovery import Override, Pace, Policy, Span
from machines.serialization import structure, unstructure


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
        return np.interp(columns, *self._drawn)

    def until(self, end_column: int) -> SegmentWork:
        """The columns of it that come before one, which is past its first; all of it where that is not in it."""
        if end_column >= self.end_column:
            return self
        places = np.linspace(self.first_column, end_column, len(self.knots))
        knots = tuple(utc(at) for at in np.interp(places, *self._drawn).tolist())
        return replace(self, end_column=end_column, knots=knots)

    @cached_property
    def _drawn(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Places and instants of the knots; a board asks for them many times for each burst."""
        places = np.linspace(self.first_column, self.end_column, len(self.knots))
        return places, np.array([knot.timestamp() for knot in self.knots])


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
        revision: how often people have said something of it.
        succeeds: id of the run whose columns it goes on counting; None for none. What a board has laid of that one
            beyond its end, as it had not heard of it, is not laid once more as this one's.
        formed: revision since which it is what it is: what is held of it by an older one is let go of, and what was
            printed by that is none of it.
        recesses: spans in which nothing of it is laid, over ones among them.
        only_while_open: the closed hours of the venue are recesses, too.
    """

    id: str
    first_column: int
    end_column: int
    strips_per_turn: int
    nozzle_seed: int
    mean_turn_s: float
    first_unaccounted: int | None = None
    shift_s: float = 0.0
    revision: int = 1
    succeeds: str | None = None
    formed: int = 1
    recesses: tuple[Recess, ...] = ()
    only_while_open: bool = False

    def __post_init__(self) -> None:
        if not 0.0 <= self.shift_s < float("inf"):
            raise InputError("shift_s", f"{self.shift_s} s", "give 0 or more")


@dataclass(frozen=True, kw_only=True)
class RunEnd:
    """A run that people have ended or withdrawn, as a board may hold it that has not heard of that.

    Attributes:
        run: id.
        end_column: where it ends now; its first column where nothing of it is to be printed.
        formed: of the run; a board that holds it by an older revision is to print nothing of that.
    """

    run: str
    end_column: int
    formed: int = 1


@dataclass(frozen=True, kw_only=True)
class NextRun:
    """The run that a machine turns to by itself once all of the one that it is on is laid.

    Attributes:
        run, policy: as of any run.
        segments: in order, at least one; those that the server has not seen reported, up to the horizon asked for.
        profile: of the machine, where that run is printed by another version of it.
    """

    run: RunWork
    policy: Policy
    segments: tuple[SegmentWork, ...]
    profile: Profile | None = None


@dataclass(frozen=True, kw_only=True)
class Whereabouts:
    """What people call a machine and the venue that it stands at, and by which clock they live there: for its panel.

    Attributes:
        machine, venue: names.
        zone: IANA name of the venue's clock.
    """

    machine: str
    venue: str
    zone: str


@dataclass(frozen=True, kw_only=True)
class Work:
    """What a node should hold now; ``run`` is None when there is nothing to print.

    Attributes:
        epoch: of the machine's credentials; a report with an older one is refused.
        plates: digests of the plates that the segments need, those of the next run too, to be fetched ahead.
        segments: in order; those that the server has not seen reported, up to the horizon asked for.
        poll_after_s: when to ask again, seconds; each board is told its own, so that many do not ask at once.
        calibration: what was measured of this machine; None for nothing.
        override: the newest word of a person on an outage of this run; it holds if that outage is still open.
        closed: the venue's closed hours, in order, as far as the server tells them.
        ended: runs of this machine that people have ended or withdrawn. What is held of them beyond their end is let
            go.
        following: what the machine prints after the run; None where nothing is planned by then. A board keeps it, so
            that it goes on without a seam although no server is in reach.
        quiet: the venue's quiet hours, in order, as far as the server tells them.
        stands: what people call machine and venue, and their clock; None from a server that does not say.
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
    ended: tuple[RunEnd, ...] = ()
    following: NextRun | None = None
    quiet: tuple[Span, ...] = ()
    stands: Whereabouts | None = None

    def as_json(self) -> dict[str, Any]:
        """The message as JSON values; a node that does not know ``ended``, ``following``, ``quiet``, or of a run its
        ``revision``, ``succeeds``, ``formed``, ``recesses`` and ``only_while_open``, is rarely shown them; it leaves
        names alone."""
        data: dict[str, Any] = unstructure(self)
        if self.run is not None and self.run.revision == 1:
            del data["run"]["revision"]
        for name in ("succeeds", "recesses", "only_while_open"):
            if self.run is not None and not getattr(self.run, name):
                del data["run"][name]
        following = None if data["following"] is None else data["following"]["run"]
        for one in filter(None, [*data["ended"], data["run"], following]):
            if one["formed"] == 1:
                del one["formed"]
        return {
            name: value
            for name, value in data.items()
            if name not in ("ended", "following", "quiet", "stands") or value
        }

    def without_segments(self) -> Work:
        """All of it but the segments, which a board keeps by themselves."""
        following = None if self.following is None else replace(self.following, segments=())
        return replace(self, segments=(), following=following)

    def segments_of(self) -> dict[str, tuple[SegmentWork, ...]]:
        """The segments of each run that it is about, by the run's id."""
        found = {} if self.run is None else {self.run.id: self.segments}
        return found if self.following is None else {**found, self.following.run.id: self.following.segments}

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
        end_column=run.end_column,
    )


@dataclass(frozen=True, kw_only=True)
class HeldNext:
    """What a node holds of the run after the one that it is on.

    Attributes:
        run: id.
        revision: of what people said of it.
        until: end of that work.
    """

    run: str
    revision: int
    until: datetime


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
        held_run: the run of that work; None without one, and from a node that does not say.
        held_revision: of what people said of that run, by which whoever changes it is told what the board has not heard
            of; None likewise.
        following: the work that it holds beyond that; None for none, and from a node that holds one run alone.
        panel: where people find its panel (`machines.protocol.panel_address`); None where it does not know, or has
            none.
    """

    at: datetime
    next_column: int | None
    paper_position: int
    clock_error_s: float | None
    knife_armed: bool
    held_until: datetime | None
    held_run: str | None = None
    held_revision: int | None = None
    following: HeldNext | None = None
    panel: str | None = None


@dataclass(frozen=True, kw_only=True)
class JournalPosition:
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
class Retelling:
    """Entries that a server has taken once and has no more, as one that was put back from an older copy.

    Attributes:
        first, through: number of the first and of the last.

    Raises:
        InputError: no entries have such numbers.
    """

    first: int
    through: int

    def __post_init__(self) -> None:
        if not 1 <= self.first <= self.through:
            raise InputError("first", f"{self.first} of entries up to {self.through}", "number them from 1")


@dataclass(frozen=True, kw_only=True)
class Reports:
    """A batch of the journal, in order of ``seq``, without holes.

    Attributes:
        epoch: of the node's credentials.
        entries: the batch.
        status: how the node is.
        again: what of the journal is told again, in this batch and those after it; None where nothing is.
    """

    epoch: int
    entries: tuple[Entry, ...]
    status: Status | None = None
    again: Retelling | None = None

    def as_json(self) -> dict[str, Any]:
        """The message as JSON values; a server that does not know ``again`` is rarely shown it."""
        data = unstructure(self) | {"entries": [entry_json(entry) for entry in self.entries]}
        return {name: value for name, value in data.items() if name != "again" or value is not None}

    def with_told(self, entries: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
        """The message as JSON values with entries that are such values already, understood here or not."""
        return self.as_json() | {"entries": list(entries)}

    @classmethod
    def from_json(cls, data: Any) -> Reports:
        """Read the message.

        Raises:
            InputError: names what is wrong with it.
        """
        return structure(data, cls)
