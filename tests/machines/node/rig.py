"""A printer in the test's own process, under a clock that the test moves, and crashes where the test wants them."""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from machines.drivers import MachineStopped
from machines.drivers.simulated.faults import FaultPlan
from machines.drivers.simulated.machine import SimulatedMachine
from machines.drivers.simulated.paper import Paper, read_paper
from machines.model.calibration import Calibration
from machines.model.head import HeadPlan
from machines.model.position import Feed
from machines.model.profile import Profile
from machines.node.clock.server_time import Estimate
from machines.node.printing.loop import Printer
from machines.node.store import outbox
from machines.node.store.journal import Journal, open_journal
from machines.node.waiting.inquiry import WorkInquiry
from machines.node.work import offers
from machines.node.work.offers import Fetched
from machines.node.work.plate_cache import PlateCache
from machines.protocol.journal_entries import Entry
from machines.protocol.messages import Reports, RunWork
from machines.recovery import Policy
from machines.serialization import structure
from tests.machines.node.relay import Studio, line_profile, picture

NOON = 1_790_000_000.0


class Crash(BaseException):
    """The power goes. Nothing in the program catches it."""


@dataclass
class HandClock:
    """Stands still until it is moved or somebody waits by it."""

    at: float = NOON

    def now(self) -> float:
        return self.at

    def elapsed(self) -> float:
        return self.at - NOON

    def real_s(self, seconds: float) -> float:
        return seconds


@dataclass
class Fuse:
    """Burns a step at every place where the power may go, and goes at the last."""

    left: int | None = None

    def burn(self) -> None:
        if self.left is not None:
            self.left -= 1
            if self.left < 0:
                raise Crash


class FusedJournal(Journal):
    """A journal beside which the power may go: before a transaction, or just after its commit."""

    def __init__(self, connection: sqlite3.Connection, fuse: Fuse) -> None:
        super().__init__(connection)
        self._fuse = fuse

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        self._fuse.burn()
        with super().transaction() as db:
            yield db
        self._fuse.burn()


@dataclass
class PlaceMemory:
    """A controller's lasting memory of its place, which may be erased, and that a person may give back.

    Attributes:
        end: after the last place that was begun, as a person told it; None before.
        erased: whether it was.
        told: what a person told it.
    """

    end: int | None = None
    erased: bool = False
    told: list[int] = field(default_factory=list)

    @property
    def lost(self) -> bool:
        return self.erased and self.end is None


@dataclass
class FusedMachine:
    """A simulated machine beside which the power may go: before it lays or cuts, or just after. It can be stopped."""

    machine: SimulatedMachine
    fuse: Fuse
    clock: HandClock
    seconds_per_column: float
    keywords: tuple[str, ...] = ()
    stop_with: tuple[str, ...] = ()
    closed: bool = False
    refuses_to_arm: tuple[str, ...] = ()
    armings: int = 0
    corrections: list[float] = field(default_factory=list)
    remembers_columns: bool = True
    memory: PlaceMemory = field(default_factory=PlaceMemory)
    asked_every_s: float = math.inf

    def lay(self, place: int, dots: NDArray[np.bool_], first_column: int) -> None:
        self.fuse.burn()
        if self.stop_with:
            self.keywords, self.stop_with = self.stop_with, ()
            raise MachineStopped(*self.keywords)
        if self.memory.lost or place < (self.memory.end or 0):
            raise MachineStopped("other-error")
        self.clock.at += self.seconds_per_column * dots.shape[1]
        self.machine.lay(place, dots, first_column)
        self.fuse.burn()

    def lay_pattern(self, place: int, pattern: NDArray[np.bool_] | HeadPlan) -> None:
        self.fuse.burn()
        if self.stop_with:
            self.keywords, self.stop_with = self.stop_with, ()
            raise MachineStopped(*self.keywords)
        self.machine.lay_pattern(place, pattern)
        self.fuse.burn()

    def keep_open(self) -> None:
        self.machine.keep_open()

    def keep_quiet(self, for_s: float) -> None:
        self.machine.keep_quiet(for_s)

    def cut(self, place: int) -> None:
        self.fuse.burn()
        self.machine.cut(place)
        self.fuse.burn()

    def arm(self) -> None:
        self.fuse.burn()
        if self.refuses_to_arm:
            raise MachineStopped(*self.refuses_to_arm)
        self.armings += 1
        self.fuse.burn()

    def paper_end(self) -> int | None:
        return None if self.memory.lost else max(self.memory.end or 0, self.machine.paper_end() or 0)

    def column_end(self) -> int | None:
        return self.machine.column_end() if self.remembers_columns else None

    def set_place(self, place: int) -> bool:
        self.fuse.burn()
        lost = self.memory.lost
        if lost:
            self.memory.told, self.memory.end = [*self.memory.told, place], place
        self.fuse.burn()
        return lost

    def feed(self) -> Feed | None:
        return self.machine.feed()

    def correct(self, mm: float) -> float:
        self.fuse.burn()
        done = self.machine.correct(mm)
        self.corrections.append(done)
        self.fuse.burn()
        return done

    def halt(self) -> None:
        self.machine.halt()

    def conditions(self) -> tuple[str, ...]:
        return (*self.keywords, "other-error") if self.memory.lost else self.keywords

    def close(self) -> None:
        self.closed = True
        self.machine.close()


@dataclass
class Rig:
    """A studio, a home folder, and the printer of this moment.

    Attributes:
        home: the node's folder.
        studio: plans the work; ``fetch`` hands it over as the exchange would.
        columns_per_commit: of the printer.
        time_known: whether the printer knows the server's time.
        error_s: bound on its error; infinite after a clock stepped.
        in_doubt: whether the server contradicts itself, within that bound.
        resume_unattended: of the printer.
        server_ahead_s: how far the server's clock is ahead of the true time.
        remembers_columns: whether the machine does.
        faults: of the machine; may be changed while it prints.
        asked_every_s: how often the machine wants to be asked how it is.
        asks: whether the printer knows of the exchange's passes; then ``fetch`` is one, and each agent has ``asked``.
    """

    home: Path
    studio: Studio
    clock: HandClock
    columns_per_commit: int = 1
    time_known: bool = True
    error_s: float = 0.01
    in_doubt: bool = False
    server_ahead_s: float = 0.0
    resume_unattended: bool = True
    seconds_per_column: float = 0.0
    remembers_columns: bool = True
    fuse: Fuse = field(default_factory=Fuse)
    memory: PlaceMemory = field(default_factory=PlaceMemory)
    machine: FusedMachine | None = None
    steps_taken: int = 0
    faults: FaultPlan = field(default_factory=FaultPlan)
    asks: bool = False
    asked_every_s: float = math.inf
    asked: WorkInquiry | None = None

    def __post_init__(self) -> None:
        open_journal(self.home, create=True).close()
        self.plates = PlateCache(self.home / "plates")
        self.plates.put(self.studio.plate.digest, self.studio.plate)
        self.start()

    def start(self) -> None:
        """A new agent, as after the power came back."""
        plain = open_journal(self.home)
        self.journal = FusedJournal(plain.connection, self.fuse)
        self.asked = WorkInquiry(self.clock.elapsed, self.clock.elapsed) if self.asks else None
        self.printer = Printer(
            self.journal,
            self._server_time,
            self.plates,
            self._open,
            self.columns_per_commit,
            resume_unattended=self.resume_unattended,
            inquiry=self.asked,
        )
        self.machine = None
        self.printer.begin()

    def stop(self) -> None:
        """In order."""
        self.printer.end()
        self.journal.close()

    def crash(self) -> None:
        """At this moment."""
        self.journal.close()

    def fetch(self) -> None:
        """What the exchange does in a pass: work in, reports out."""
        if self.asked is not None:
            self.asked.begin()
        with self.journal.transaction() as db:
            entries = outbox.unaccepted(db, 10_000)
            outbox.accept(db, self.studio.take(Reports.from_json({"epoch": self.studio.epoch, "entries": entries})))
            offers.hold(db, Fetched(self.studio.work(), "tag"))
        if self.asked is not None:
            self.asked.answer()
            self.asked.end()

    def fetch_last(self) -> None:
        """The last words of an agent that stopped."""
        self.journal = FusedJournal(open_journal(self.home).connection, self.fuse)
        self.fetch()
        self.journal.close()

    def run_until(self, instant: float, *, fetch_every_s: float = math.inf) -> None:
        """Step until the clock shows an instant, POSIX seconds."""
        fetch_at = self.clock.at + fetch_every_s
        while self.clock.at < instant:
            wait_s = self.printer.step()
            self.steps_taken += 1
            self.clock.at = min(self.clock.at + wait_s, instant, max(fetch_at, self.clock.at))
            if self.clock.at >= fetch_at:
                self.fetch()
                fetch_at = self.clock.at + fetch_every_s

    def run_columns(self, count: int) -> None:
        """Step while the sky turns on by so many columns."""
        self.run_until(self.clock.at + count * 120.0)

    def paper(self) -> Paper:
        """What lies on it."""
        return read_paper(self.home / "paper")

    def entries(self, kind: type[Any] = object) -> list[Any]:
        """Of the journal, accepted or not."""
        with self.journal.reading() as db:
            bodies = db.execute("SELECT body FROM entry ORDER BY seq").fetchall()
        found: list[Entry] = [structure(json.loads(body), Entry) for (body,) in bodies]  # type: ignore[arg-type]
        return [entry for entry in found if isinstance(entry, kind)]

    def _server_time(self) -> Estimate | None:
        if not self.time_known:
            return None
        now = self.clock.at + self.server_ahead_s
        is_doubted = self.in_doubt or math.isinf(self.error_s)
        return Estimate(now=now, error_s=self.error_s, rival_now=now if is_doubted else None)

    def _open(self, profile: Profile, run: RunWork, calibration: Calibration) -> FusedMachine:
        machine = SimulatedMachine(
            self.home / "paper",
            profile,
            run.nozzle_seed,
            self.clock,
            calibration=calibration,
            faults=lambda: self.faults,
        )
        self.machine = FusedMachine(
            machine,
            self.fuse,
            self.clock,
            self.seconds_per_column,
            remembers_columns=self.remembers_columns,
            memory=self.memory,
            asked_every_s=self.asked_every_s,
        )
        return self.machine


def make_studio(
    clock: HandClock,
    *,
    profile: Profile | None = None,
    policy: str = "skip",
    first_column: int = 0,
    columns: int = 720,
    starts_in_s: float = 60.0,
    strips_per_turn: int = 12,
) -> Studio:
    """A run whose first column belongs under the head in so many seconds; a column is two minutes."""
    profile = profile or line_profile()
    run = RunWork(
        id="run",
        first_column=first_column,
        end_column=first_column + columns,
        strips_per_turn=strips_per_turn,
        nozzle_seed=5,
        mean_turn_s=86400.0,
    )
    turn_zero = clock.at + starts_in_s - first_column * 86400.0 / profile.columns_per_turn
    return Studio(clock, profile, run, Policy(kind=policy), turn_zero, 48, picture(profile))  # type: ignore[arg-type]
