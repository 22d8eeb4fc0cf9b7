"""An honest board: the real exchange, journal and print loop, beside a simulated machine, without a process of its own.

Whoever has many of them calls `exchange` and `print_step` when they are due, each of them from one thread at a time.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping
from pathlib import Path
from time import perf_counter
from typing import Any, TypeVar

from machines.chance import SYSTEM
from machines.clock import Clock
from machines.drivers.simulated.machine import SimulatedMachine
from machines.model.calibration import Calibration
from machines.model.profile import Profile
from machines.node.agent import boot_name
from machines.node.assembly import Board, assemble
from machines.node.settings import Settings
from machines.node.store.identity import Credentials
from machines.node.store.journal import open_journal
from machines.node.sync.client import Client
from machines.node.sync.failures import CallFailed
from machines.node.waiting.inquiry import WorkInquiry
from machines.node.waiting.news import News
from machines.node.work import takeover
from machines.node.work.offers import Fetched
from machines.node.work.plate_cache import PlateCache
from machines.protocol.messages import RunWork
from tests.load.figures import Figures

T = TypeVar("T")

# How often the machine is asked how it is, real seconds: nothing goes wrong with it.
ASKED_EVERY_S = 60.0
MOST_SAID = 160

# Writes something down among what is measured.
Note = Callable[[Callable[[Figures], None]], None]


class Timed(Client):
    """A client that says how long its calls take, and what is told late."""

    def __init__(self, credentials: Credentials, clock: Clock, note: Note) -> None:
        super().__init__(credentials.server, credentials.token)
        self._clock, self._note = clock, note

    def clock(self) -> tuple[float, float]:
        """See there."""
        return self._timed("clock", super().clock)

    def work(self, horizon: str, etag: str | None) -> Fetched | None:
        """See there."""
        return self._timed("poll" if etag else "work", lambda: super(Timed, self).work(horizon, etag))

    def plate(self, digest: str, longest: int) -> Generator[bytes, None, None]:
        """See there."""
        yield self._timed("plate", lambda: b"".join(super(Timed, self).plate(digest, longest)))

    def report(self, reports: Mapping[str, Any]) -> int:
        """See there."""
        entries = reports["entries"]
        through = self._timed("report" if entries else "status", lambda: super(Timed, self).report(reports))
        now, told = self._clock.now(), [entry for entry in entries if entry["seq"] <= through]
        self._note(lambda figures: figures.told(told, now))
        return through

    def _timed(self, kind: str, call: Callable[[], T]) -> T:
        began_s = perf_counter()
        try:
            answer = call()
        except CallFailed as error:
            said = f"{kind}: {error.kind}: {error}"[:MOST_SAID]
            self._note(lambda figures: figures.failed.update([said]))
            raise
        took_s = perf_counter() - began_s
        self._note(lambda figures: figures.took(kind, took_s))
        return answer


class Told(News):
    """What is new makes whoever has the board look at it."""

    def __init__(self, look: Callable[[], None]) -> None:
        super().__init__()
        self._look = look

    def tell(self) -> None:
        """Something is new."""
        super().tell()
        self._look()


def enrol(home: Path, server: str, code: str) -> None:
    """Take the machine over, as `dayroll-node enrol` does."""
    client, journal = Client(server), open_journal(home, create=True, news=News())
    try:
        enrolled = client.enrol(code)
        with journal.transaction() as db:
            takeover.enrol(db, enrolled.at(server), enrolled.earlier)
    finally:
        journal.close()
        client.close()


class LoadedBoard:
    """One that runs."""

    def __init__(self, home: Path, clock: Clock, note: Note, look: Callable[[LoadedBoard], None]) -> None:
        """Begin as an agent does.

        Args:
            home: of a board that is enrolled.
            clock: that it goes by.
            note: takes what is measured.
            look: called with the board where something is new, from either of the board's threads.
        """
        self._home, self._clock = home, clock
        self._machines: list[SimulatedMachine] = []
        news = Told(lambda: look(self))
        self.inquiry = WorkInquiry(clock.elapsed, tell=news.tell)
        self.journal = open_journal(home, news=news)
        on = Board(
            home=home,
            journal=self.journal,
            clock=clock,
            boot=boot_name(clock),
            plates=PlateCache(home / "plates"),
            open_driver=self._opened,
            connect=lambda credentials: Timed(credentials, clock, note),
            inquiry=self.inquiry,
            chance=SYSTEM,
        )
        parts = assemble(on, Settings(resume_unattended=True))
        self._exchange, self._printer = parts.exchange, parts.printer
        self._printer.begin()

    def exchange(self) -> float:
        """A pass; how long until the next one, real seconds."""
        return self._clock.real_s(self._exchange.run_once())

    def print_step(self) -> float:
        """Steps of the print loop until there is nothing to do; for how long, real seconds."""
        while True:
            told = self.journal.news.told
            wait_s = self._printer.step()
            if wait_s > 0 and told == self.journal.news.told:
                return min(self._clock.real_s(wait_s), self._printer.asked_every_s)

    def stop(self) -> None:
        """End in order, as an agent does: nothing is left to tell."""
        self._printer.end()
        self._exchange.reports.run()
        self.close()

    def close(self) -> None:
        """Go, as if the power went: what was not told yet stays in the journal."""
        self._exchange.client.close()
        self.journal.close()
        for machine in self._machines:
            machine.paper.close()

    def _opened(self, profile: Profile, run: RunWork, calibration: Calibration) -> SimulatedMachine:
        self._machines.append(
            SimulatedMachine(
                self._home / "paper",
                profile,
                run.nozzle_seed,
                self._clock,
                calibration=calibration,
                draws=False,
                asked_every_s=ASKED_EVERY_S,
            )
        )
        return self._machines[-1]
