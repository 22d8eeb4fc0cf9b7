"""A bench for the serial tests: an emulated controller on a wire whose time only passes when the node waits."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

import numpy as np
from numpy.typing import NDArray

from machines.drivers import MachineStopped
from machines.drivers.emulated.controller import Controller
from machines.drivers.emulated.head import Drops, Make
from machines.drivers.emulated.machine import Memory
from machines.drivers.emulated.wire import EmulatedWire
from machines.drivers.emulated.wire_noise import NoisePlan
from machines.drivers.serial.machine import SerialMachine
from machines.drivers.serial.transport import Limits
from machines.model.profile import CarriageHead, Knife, LineHead, Media, Profile

Dots = NDArray[np.bool_]
SEED = 3


def profile(*, carriage: bool = True, dots: int = 24, knife: bool = True) -> Profile:
    head = (
        CarriageHead(nozzles=4, passes=2, drop_pl=4.0)
        if carriage
        else LineHead(dot_current_a=0.03, supply_current_a=0.21, strobe_s=0.001)
    )
    return Profile(
        name="bench",
        columns_per_turn=1000,
        mm_per_turn=100.0,
        dots_across=dots,
        print_width_mm=60.0,
        highest_mm_per_hour=500.0,
        head=head,
        media=Media(width_mm=80.0, caliper_mm=0.1, roll_m=50.0),
        knife=Knife(head_to_knife_mm=0.5, cuts_per_blade=1000) if knife else None,
        columns_per_burst=3 if carriage else 1,
    )


@dataclass
class SeenPaper:
    """What reached the paper, in its order."""

    laid: list[tuple[int, int, Drops]] = field(default_factory=list)
    cuts: list[int] = field(default_factory=list)

    def lay(self, place: int, column: int, drops: Drops) -> None:
        self.laid.append((place, column, drops.copy()))

    def cut(self, place: int) -> None:
        self.cuts.append(place)


class Bench:
    """Clock, wire and controller in one; its time is its own."""

    def __init__(self, of: Profile, noise: NoisePlan | None = None, *, step_s: float = 0.0, cut_s: float = 0.0) -> None:
        self.profile = of
        self.paper = SeenPaper()
        self.memory = Memory()
        self.controller = Controller(Make.of(of, step_s=step_s, cut_s=cut_s), self.memory, self.paper)
        self.wire = EmulatedWire(self.controller, noise)
        self.time_s = 0.0
        self.written: list[bytes] = []
        self._planned: list[tuple[float, Callable[[], object]]] = []
        self._calls = itertools.count()

    def machine(self, limits: Limits | None = None) -> SerialMachine:
        """A node begins."""
        names = lambda: f"call{next(self._calls)}"  # noqa: E731
        return SerialMachine(lambda: BenchPort(self), self.profile, SEED, self, limits, names)

    def at(self, time_s: float, act: Callable[[], object]) -> None:
        """Have something happen when the time comes."""
        self._planned = sorted([*self._planned, (time_s, act)], key=lambda planned: planned[0])

    def elapsed(self) -> float:
        return self.time_s

    def now(self) -> float:
        return self.time_s

    def sleep(self, seconds: float) -> None:
        """Let time pass without a node."""
        self.wait(seconds, lambda _: False)

    def wait(self, seconds: float, enough: Callable[[bytes], bool]) -> None:
        """Let time pass until something arrives that is enough."""
        until = self.time_s + max(0.0, seconds)
        while True:
            if enough(self.wire.pass_time(self.time_s)) or self.time_s >= until:
                return
            planned = self._planned[0][0] if self._planned else math.inf
            self.time_s = max(self.time_s, min(until, self.wire.next_event(), planned))
            while self._planned and self._planned[0][0] <= self.time_s:
                self._planned.pop(0)[1]()


class BenchPort:
    """The near end."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench

    def read(self, timeout_s: float) -> bytes:
        arrived: list[bytes] = []

        def enough(octets: bytes) -> bool:
            arrived.append(octets)
            return bool(octets)

        self._bench.wait(timeout_s, enough)
        return b"".join(arrived)

    def write(self, octets: bytes) -> None:
        self._bench.written.append(octets)
        self._bench.wire.send(octets, self._bench.time_s)

    def close(self) -> None:
        pass


@dataclass
class Ordered:
    """One burst that a node ordered, and whether it was told that all of it lies there."""

    place: int
    first_column: int
    dots: Dots
    said_done: bool


def some_dots(of: Profile, columns: int, random: Random) -> Dots:
    """Columns of dots: full, blank, or by chance."""
    density = random.choice([0.0, 0.1, 0.5, 1.0])
    return np.random.default_rng(random.getrandbits(32)).random((of.dots_across, columns)) < density


def lay_bursts(machine: SerialMachine, of: Profile, bursts: int, random: Random, place: int = 0) -> list[Ordered]:
    """Print as a node does: after a stop the places of the burst count as used, as they may have been laid."""
    ordered = []
    for _ in range(bursts):
        dots = some_dots(of, random.randint(1, 2 * of.columns_per_burst), random)
        column = 7000 + place
        try:
            machine.lay(place, dots, column)
            said_done = True
        except MachineStopped:
            said_done = False
        ordered.append(Ordered(place, column, dots, said_done))
        place += dots.shape[1] + random.choice([0, 0, 1])
    return ordered


def complaints(paper: SeenPaper, of: Profile, ordered: list[Ordered]) -> list[str]:
    """What speaks against the promise: every column lies once in its place, or the node was told that it stopped; and
    nothing lies twice."""
    passes = of.head.passes if isinstance(of.head, CarriageHead) else 1
    places = [place for place, _, _ in paper.laid]
    found = [] if places == sorted(set(places)) else ["a place was laid twice, or the paper went back"]
    lies = {place: (column, drops) for place, column, drops in paper.laid}
    for burst in ordered:
        for index in range(burst.dots.shape[1]):
            column, drops = lies.pop(burst.place + index, (None, None))
            found += [f"place {burst.place + index}: {what}" for what in _against(burst, index, passes, column, drops)]
    return found + [f"place {place}: nobody ordered what lies there" for place in lies]


def _against(burst: Ordered, index: int, passes: int, column: int | None, drops: Drops | None) -> list[str]:
    """What speaks against one column of a burst, where the paper shows this running column and these drops."""
    if drops is None:
        return ["it was said to be laid"] if burst.said_done else []
    wanted = burst.dots[:, index] * passes
    wrong = {
        "a dot is missing of what was said to be laid": burst.said_done and bool((drops < wanted).any()),
        "a dot that nobody ordered, or one pass too many": bool((drops > wanted).any()),
        "another column lies there": column != burst.first_column + index,
    }
    return [what for what, holds in wrong.items() if holds]
