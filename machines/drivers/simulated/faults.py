"""What can be wrong with a simulated machine, and from when. Instants are by the true clock.

A fault begins at its instant and stays until a person clears its kind. So how the machine is at an instant follows
from the plan alone, whichever process asks and however often.

    Slip, SlowFeed    the paper comes less far than the motor, from then on
    Jump              once, and it stays: the paper is held back, or pulled on
    DeadNozzles       their dots are not set
    Jam, PaperEnd, InkEnd                 the machine stands still
    BladeWear         after so many cuts it cuts raggedly, after so many more not at all
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal

from machines.clock import utc
from machines.errors import require

FaultKind = Literal["slip", "slow-feed", "jump", "dead-nozzles", "jam", "paper-end", "ink-end", "blade-wear"]

# Keywords of RFC 8011 section 5.4.12 and PWG 5100.9 section 8.1.
STANDS_STILL: dict[str, str] = {
    "jam": "media-jam-error",
    "paper-end": "media-empty-error",
    "ink-end": "marker-supply-empty-error",
}
BLADE_DULL = "separation-cutter-life-almost-over-warning"
BLADE_WORN = "separation-cutter-life-over-warning"
CANNOT_CUT = "separation-cutter-life-over-error"


@dataclass(frozen=True, kw_only=True)
class Slip:
    """The paper slips on the roller: of each millimetre that is fed, this share is lost."""

    at: datetime
    share: float
    kind: Literal["slip"] = "slip"

    def __post_init__(self) -> None:
        require(0 <= self.share < 1, "share", f"{self.share}", "give 0 to below 1, such as 0.005 for half a percent")

    @property
    def gain(self) -> float:
        """Paper fed for each millimetre ordered."""
        return 1.0 - self.share


@dataclass(frozen=True, kw_only=True)
class SlowFeed:
    """The steps per millimetre are wrong: of each millimetre that is ordered, ``factor`` is fed."""

    at: datetime
    factor: float
    kind: Literal["slow-feed"] = "slow-feed"

    def __post_init__(self) -> None:
        require(0.5 <= self.factor <= 2, "factor", f"{self.factor}", "give 0.5 to 2, such as 0.995")

    @property
    def gain(self) -> float:
        """Paper fed for each millimetre ordered."""
        return self.factor


@dataclass(frozen=True, kw_only=True)
class Jump:
    """Once, the paper is pulled on by so many millimetres; below 0 it is held back until the motor has fed so many."""

    at: datetime
    mm: float
    kind: Literal["jump"] = "jump"

    def __post_init__(self) -> None:
        require(math.isfinite(self.mm), "mm", f"{self.mm}", "give millimetres, below 0 for paper that is held back")


@dataclass(frozen=True, kw_only=True)
class DeadNozzles:
    """Nozzles of a carriage head, or dots of a line head, that set nothing any more, counted from 0."""

    at: datetime
    nozzles: tuple[int, ...]
    kind: Literal["dead-nozzles"] = "dead-nozzles"

    def __post_init__(self) -> None:
        require(all(nozzle >= 0 for nozzle in self.nozzles), "nozzles", f"{list(self.nozzles)}", "count them from 0")


@dataclass(frozen=True, kw_only=True)
class Jam:
    """The paper is jammed."""

    at: datetime
    kind: Literal["jam"] = "jam"


@dataclass(frozen=True, kw_only=True)
class PaperEnd:
    """The roll is at its end."""

    at: datetime
    kind: Literal["paper-end"] = "paper-end"


@dataclass(frozen=True, kw_only=True)
class InkEnd:
    """The ink is at its end."""

    at: datetime
    kind: Literal["ink-end"] = "ink-end"


@dataclass(frozen=True, kw_only=True)
class BladeWear:
    """The blade, put in at ``at``, makes ``clean_cuts`` clean cuts, then ragged ones, and none after ``cuts``."""

    at: datetime
    clean_cuts: int
    cuts: int
    kind: Literal["blade-wear"] = "blade-wear"

    def __post_init__(self) -> None:
        problem = f"{self.clean_cuts} clean cuts of {self.cuts}"
        require(0 <= self.clean_cuts <= self.cuts, "clean_cuts", problem, "give 0 to the number of all cuts")


Fault = Slip | SlowFeed | Jump | DeadNozzles | Jam | PaperEnd | InkEnd | BladeWear


@dataclass(frozen=True, kw_only=True)
class Cleared:
    """A person put right all faults of a kind that had begun by then. A jump stays in the paper; a blade is new."""

    kind: FaultKind
    at: datetime


@dataclass(frozen=True, kw_only=True)
class FaultPlan:
    """The faults of one machine.

    Attributes:
        faults: each with the instant from which it is there.
        cleared: by persons.
    """

    faults: tuple[Fault, ...] = ()
    cleared: tuple[Cleared, ...] = ()

    def active(self, now: float) -> tuple[Fault, ...]:
        """Those that are there at an instant (POSIX seconds): begun, and their kind not cleared since."""
        return tuple(fault for fault in self.faults if fault.at.timestamp() <= now and not self._put_right(fault, now))

    def clear(self, kind: FaultKind, now: float) -> FaultPlan:
        """A person puts right what is wrong of a kind now (POSIX seconds)."""
        return replace(self, cleared=(*self.cleared, Cleared(kind=kind, at=utc(now))))

    def jumps_mm(self, after: float, until: float) -> list[float]:
        """The jumps that happened after one instant and up to another (POSIX seconds), in order."""
        jumps = [fault for fault in self.faults if isinstance(fault, Jump) and after < fault.at.timestamp() <= until]
        return [jump.mm for jump in sorted(jumps, key=lambda jump: jump.at)]

    def blade(self, now: float) -> tuple[BladeWear, float] | None:
        """How the blade that is in at an instant (POSIX seconds) wears, and since when it is in; None if it does not.

        A blade that was cleared was changed for a new one of its kind.
        """
        begun = [fault for fault in self.faults if isinstance(fault, BladeWear) and fault.at.timestamp() <= now]
        if not begun:
            return None
        newest = max(begun, key=lambda fault: fault.at)
        changed = [c.at.timestamp() for c in self.cleared if c.kind == "blade-wear" and c.at.timestamp() <= now]
        return newest, max([newest.at.timestamp(), *changed])

    def _put_right(self, fault: Fault, now: float) -> bool:
        return any(one.kind == fault.kind and one.at >= fault.at and one.at.timestamp() <= now for one in self.cleared)


def feed_gain(active: Iterable[Fault]) -> float:
    """Paper fed for each millimetre ordered, all faults together."""
    return math.prod(fault.gain for fault in active if isinstance(fault, Slip | SlowFeed))


def dead_nozzles(active: Iterable[Fault]) -> frozenset[int]:
    """All that are dead."""
    return frozenset(nozzle for fault in active if isinstance(fault, DeadNozzles) for nozzle in fault.nozzles)


def keywords(active: Sequence[Fault]) -> tuple[str, ...]:
    """What keeps the machine still, each once."""
    return tuple(dict.fromkeys(STANDS_STILL[fault.kind] for fault in active if fault.kind in STANDS_STILL))


def blade_says(wear: BladeWear, cuts_made: int) -> tuple[str, ...]:
    """The condition of a blade after so many cuts."""
    if cuts_made >= wear.cuts:
        return (BLADE_WORN,)
    return (BLADE_DULL,) if cuts_made >= wear.clean_cuts else ()
