"""The head and the paper of the emulated controller: the steps of one burst, and what they leave on the paper."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from machines.drivers.simulated.paper import NO_COLUMN
from machines.model.profile import CarriageHead, Profile

Drops = NDArray[np.uint8]


class Refusal(Exception):
    """An order that cannot be followed; why, and the condition to name with it, if any."""

    def __init__(self, reason: Literal["order", "condition"], keyword: str | None = None) -> None:
        super().__init__(reason)
        self.reason = reason
        self.keyword = keyword


class Paper(Protocol):
    """Where the columns go."""

    def lay(self, place: int, column: int, drops: Drops) -> None:
        """A column leaves the head: its place, its running column (-1: of no picture) and the drops on each row."""

    def cut(self, place: int) -> None:
        """The knife has cut before a place."""


@dataclass(frozen=True, kw_only=True)
class Make:
    """What machine a controller belongs to; see `machines.drivers.serial.handshake.Greeting` for most of it.

    Attributes:
        longest_watchdog_s: the longest silence that it can be asked to stand, seconds.
        step_s, cut_s: how long one step and one cut take, seconds.
        slip: which part of the paper's way is lost.
        counts: of the encoder in one column; None without an encoder.
        spits: whether it can fire into a waste, at its cap.
        fine_nm: the least that the feed can move, nanometres; None for a controller that cannot correct or scale it.
    """

    head: Literal["carriage", "line"]
    nozzles: int
    dots: int
    pitch_nm: int
    knife: int | None
    reach: int
    counts: Fraction | None = Fraction(40)
    fine_nm: int | None = 1000
    spits: bool = True
    window: int = 8
    longest_watchdog_s: float = 10.0
    step_s: float = 0.0
    cut_s: float = 0.0
    slip: float = 0.0

    @classmethod
    def of(
        cls, profile: Profile, *, step_s: float = 0.0, cut_s: float = 0.0, slip: float = 0.0, window: int = 8
    ) -> Make:
        """One that fits a profile."""
        head = profile.head
        carriage = isinstance(head, CarriageHead)
        nozzles = head.nozzles if isinstance(head, CarriageHead) else head.full_column_strobes(profile.dots_across)
        return cls(
            head="carriage" if carriage else "line",
            nozzles=nozzles,
            dots=profile.dots_across,
            pitch_nm=round(profile.column_pitch_mm * 1e6),
            knife=None if profile.knife is None else profile.knife_columns,
            reach=nozzles - 1 if carriage else 0,
            counts=_counts(profile),
            window=window,
            step_s=step_s,
            cut_s=cut_s,
            slip=slip,
        )


def _counts(profile: Profile) -> Fraction:
    """Of the profile's encoder in one column; of one that the profile does not know, if it has none."""
    if profile.encoder_pitch_mm is None:
        return Fraction(40)
    return Fraction(profile.column_pitch_mm / profile.encoder_pitch_mm).limit_denominator(10_000)


class Burst:
    """Columns side by side, laid step by step.

    At step s of a carriage head nozzle j stands over place ``s - j``; at that of a line head all strobes stand over
    place s. So a carriage head makes ``nozzles - 1`` steps more than there are columns, drawing the paper back for
    the next burst.
    """

    def __init__(self, make: Make, place: int, columns: int, first_column: int | None) -> None:
        self._make = make
        self._place = place
        self._columns = columns
        self._first_column = first_column
        self._lead = make.nozzles - 1 if make.head == "carriage" else 0
        self._steps_done = 0
        self._recorded = 0
        self._staged: dict[int, NDArray[np.uint8]] = {}
        self._drops = np.zeros((columns, make.dots), dtype=np.uint8)

    @property
    def finished(self) -> bool:
        """Whether all steps are done."""
        return self._steps_done == self._columns + self._lead

    @property
    def whole(self) -> int:
        """The place after the last column that every nozzle has passed."""
        return self._place + max(0, self._steps_done - self._lead)

    def stage(self, part: int, offset: int, octets: bytes) -> None:
        """Hold dots of one nozzle or strobe for the next step.

        Raises:
            Refusal: there is no such nozzle, or they reach past the end of the column.
        """
        width = -(-self._make.dots // 8)
        if part >= self._make.nozzles or offset + len(octets) > width:
            raise Refusal("order")
        row = self._staged.setdefault(part, np.zeros(width, dtype=np.uint8))
        row[offset : offset + len(octets)] = np.frombuffer(octets, dtype=np.uint8)

    def check(self, place: int, dots: int) -> None:
        """Whether the next step is this one, and what is held for it is whole.

        Raises:
            Refusal: it is not.
        """
        held = sum(int(np.unpackbits(row).sum()) for row in self._staged.values())
        if self.finished or place != self._place + self._steps_done or dots != held:
            raise Refusal("order")
        for part, row in self._staged.items():
            if not 0 <= self._under(part) < self._columns or np.unpackbits(row)[self._make.dots :].any():
                raise Refusal("order")

    def fire(self, paper: Paper) -> None:
        """Fire what is held, and give the column that is finished by it to the paper."""
        for part, row in self._staged.items():
            self._drops[self._under(part)] += np.unpackbits(row, count=self._make.dots)
        self._staged.clear()
        self._steps_done += 1
        self._record(paper, self.whole - self._place)

    def abandon(self, paper: Paper) -> None:
        """Leave the paper as it is, with columns that some nozzles have not passed."""
        self._record(paper, min(self._steps_done, self._columns))

    def _under(self, part: int) -> int:
        """Which column of the burst a nozzle or strobe stands over."""
        return self._steps_done - (part if self._make.head == "carriage" else 0)

    def _record(self, paper: Paper, end: int) -> None:
        for column in range(self._recorded, end):
            running = NO_COLUMN if self._first_column is None else self._first_column + column
            paper.lay(self._place + column, running, self._drops[column])
        self._recorded = max(self._recorded, end)
