"""Faults by chance: the same seed gives the same faults, whoever draws them and whenever.

Each kind comes as often as its rate says, independently of what went before (a Poisson process), and is drawn by
itself: another rate, or none, for one kind leaves the others as they were. How grave each is, is an invention of this
simulation.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import get_args

import numpy as np

from machines.drivers.simulated.faults import (
    BladeWear,
    DeadNozzles,
    Fault,
    FaultKind,
    InkEnd,
    Jam,
    Jump,
    PaperEnd,
    Slip,
    SlowFeed,
)
from machines.errors import InputError
from machines.model.profile import CarriageHead, Profile

MOST_A_DAY = 10_000.0
# Instants of more days lie beyond the calendar; more faults fill the memory before the machine begins.
MOST_DAYS, MOST_FAULTS = 1e6, 1e6
LARGEST_CLUSTER = 3


@dataclass(frozen=True, kw_only=True)
class Rate:
    """How many faults of a kind come in a day, on average."""

    kind: FaultKind
    per_day: float

    def __post_init__(self) -> None:
        if not 0 <= self.per_day <= MOST_A_DAY:
            raise InputError("per_day", f"{self.per_day}", f"give 0 to {MOST_A_DAY:.0f}")


@dataclass(frozen=True, kw_only=True)
class Chance:
    """Faults by chance over so many days from an instant on."""

    seed: int
    begins: datetime
    days: float
    rates: tuple[Rate, ...]

    def __post_init__(self) -> None:
        if self.seed < 0:
            raise InputError("seed", f"{self.seed}", "give 0 or more")
        if not 0 <= self.days <= MOST_DAYS:
            raise InputError("days", f"{self.days}", f"give 0 to {MOST_DAYS:.0f}")
        if len({rate.kind for rate in self.rates}) < len(self.rates):
            raise InputError("rates", "a kind has two rates", "give each kind once")
        expected = self.days * sum(rate.per_day for rate in self.rates)
        if expected > MOST_FAULTS:
            raise InputError("rates", f"{expected:.0f} faults in all", f"give rates and days for {MOST_FAULTS:.0f}")

    def draw(self, profile: Profile) -> tuple[Fault, ...]:
        """The faults, in order of their instants; dead nozzles are of the profile's head."""
        drawn = [fault for rate in self.rates for fault in self._of(rate, profile)]
        return tuple(sorted(drawn, key=lambda fault: fault.at))

    def _of(self, rate: Rate, profile: Profile) -> list[Fault]:
        random = np.random.default_rng([self.seed, get_args(FaultKind).index(rate.kind)])
        found: list[Fault] = []
        day = _wait_days(random, rate.per_day)
        while day < self.days:
            found.append(_DRAW[rate.kind](self.begins + timedelta(days=day), random, profile))
            day += _wait_days(random, rate.per_day)
        return found


def _wait_days(random: np.random.Generator, per_day: float) -> float:
    return float(random.exponential(1.0 / per_day)) if per_day > 0 else math.inf


def _dead_nozzles(at: datetime, random: np.random.Generator, profile: Profile) -> DeadNozzles:
    """Neighbours: failures come in clusters after idling (common practice, no source)."""
    head = profile.head
    nozzles = head.nozzles if isinstance(head, CarriageHead) else profile.dots_across
    count = int(random.integers(1, min(LARGEST_CLUSTER, nozzles) + 1))
    first = int(random.integers(0, nozzles - count + 1))
    return DeadNozzles(at=at, nozzles=tuple(range(first, first + count)))


def _blade(at: datetime, random: np.random.Generator, profile: Profile) -> BladeWear:
    cuts = profile.knife.cuts_per_blade if profile.knife is not None else 0
    clean = int(cuts * random.uniform(0.2, 0.8))
    return BladeWear(at=at, clean_cuts=clean, cuts=clean + int(cuts * 0.2))


_DRAW: dict[FaultKind, Callable[[datetime, np.random.Generator, Profile], Fault]] = {
    "slip": lambda at, random, _: Slip(at=at, share=float(random.uniform(0.0005, 0.01))),
    "slow-feed": lambda at, random, _: SlowFeed(at=at, factor=float(random.uniform(0.99, 1.01))),
    "jump": lambda at, random, _: Jump(at=at, mm=float(random.uniform(-5.0, 5.0))),
    "dead-nozzles": _dead_nozzles,
    "jam": lambda at, *_: Jam(at=at),
    "paper-end": lambda at, *_: PaperEnd(at=at),
    "ink-end": lambda at, *_: InkEnd(at=at),
    "blade-wear": _blade,
}
