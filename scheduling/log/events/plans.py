"""What people of a studio, or its planner on their behalf, say of runs: see `scheduling.log.events`."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any, ClassVar

from machines.errors import InputError
from machines.protocol.messages import SegmentWork
from machines.protocol.recesses import Recess
from machines.recovery import Policy


@dataclass(frozen=True, kw_only=True)
class RunPlanned:
    """A machine prints a source against a cycle over a span.

    Attributes:
        starts_at, ends_at: the span asked for.
        first_column, end_column: the running columns in it, the end excluded.
        without: versions, in the machine's stream, of what it told of the run before this and that cannot be of it; all
            else that it told of it counts from now on.
        succeeds: id of the run that it follows without a gap; None where it follows none.
        profile: the model by which it is printed, whatever its machine becomes; None before that could change.
        profile_version, source_version: the versions of model and source by which it is printed; before there were any,
            what either of them was is the first.
        only_while_open: the closed hours of the machine's venue are recesses of it, see `RunHeld`.
        recesses: those of the run that it follows, as far as they last.
    """

    stream: ClassVar[str] = "run"
    machine: str
    source: str
    cycle: str
    cycle_options: dict[str, Any]
    segments_per_turn: int
    strips_per_turn: int
    starts_at: datetime
    ends_at: datetime
    first_column: int
    end_column: int
    policy: Policy
    nozzle_seed: int
    mean_turn_s: float
    without: tuple[int, ...] = ()
    succeeds: str | None = None
    profile: str | None = None
    profile_version: int = 1
    source_version: int = 1
    only_while_open: bool = False
    recesses: tuple[Recess, ...] = ()


@dataclass(frozen=True, kw_only=True)
class SegmentsPlanned:
    """The segments of a run that lie in one turn, in order, and the plate that holds the turn's dots.

    Attributes:
        dots: how many dots each segment has, in their order; empty where that is not known, as before it was said.
    """

    stream: ClassVar[str] = "run"
    turn: int
    plate: str
    segments: tuple[SegmentWork, ...]
    dots: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        if self.dots and len(self.dots) != len(self.segments):
            problem = f"the dots of {len(self.dots)} segments, and {len(self.segments)} are planned"
            raise InputError("dots", problem, "give those of each, or none at all")


@dataclass(frozen=True, kw_only=True)
class RunChanged:
    """A run is this from now on, in place of what was said of it before: it has not begun, and nothing was told of it.
    What was planned of it is planned anew. What a board that did not know of it prints by the plan before is none of
    it.

    Attributes:
        starts_at, ends_at: the span asked for.
        first_column, end_column: the running columns in it, the end excluded.
        remark: digest of why, see `scheduling.log.remarks`.
    """

    stream: ClassVar[str] = "run"
    machine: str
    source: str
    cycle: str
    cycle_options: dict[str, Any]
    segments_per_turn: int
    strips_per_turn: int
    starts_at: datetime
    ends_at: datetime
    first_column: int
    end_column: int
    policy: Policy
    nozzle_seed: int
    mean_turn_s: float
    succeeds: str | None = None
    profile: str | None = None
    profile_version: int = 1
    source_version: int = 1
    only_while_open: bool = False
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class RunMovedAway:
    """A run that was this machine's is another's from now on; its board lets go of it.

    Attributes:
        run: id.
        first_column: that the run began with here.
        formed: revision of the run since which it is another machine's.
        remark: digest of why, see `scheduling.log.remarks`.
    """

    stream: ClassVar[str] = "machine"
    run: str
    first_column: int
    formed: int
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class RunWithdrawn:
    """A run is taken back before its first column lay. What a board that did not know of it prints all the same is
    true; the remark is the digest of why, see `scheduling.log.remarks`."""

    stream: ClassVar[str] = "run"
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class RunEnded:
    """A run ends elsewhere than was said before, earlier or later. What a board that did not know of it printed beyond
    is true.

    Attributes:
        end_column: the running column after its last.
        ends_at: when that belongs under the head, before any waiting of the timeline.
        segments: those whose columns are others now: one that the end clips, or that no end clips any more.
        remark: digest of why, see `scheduling.log.remarks`.
        followed_by: id of the run that goes on from there; None where none does.
    """

    stream: ClassVar[str] = "run"
    end_column: int
    ends_at: datetime
    segments: tuple[SegmentWork, ...] = ()
    remark: str | None = None
    followed_by: str | None = None


@dataclass(frozen=True, kw_only=True)
class RunHeld:
    """People hold a run: nothing of it is laid in a recess. What a board that did not know of it laid there is true.

    Attributes:
        recesses: all of them that are known now, in order, over ones among them.
        remark: digest of why, see `scheduling.log.remarks`.
    """

    stream: ClassVar[str] = "run"
    recesses: tuple[Recess, ...]
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class RunContinued:
    """A recess of a run ends, or is taken back before it began. See `RunHeld`."""

    stream: ClassVar[str] = "run"
    recesses: tuple[Recess, ...]
    remark: str | None = None


RunEvent = RunPlanned | RunChanged | RunMovedAway | SegmentsPlanned | RunWithdrawn | RunEnded | RunHeld | RunContinued
