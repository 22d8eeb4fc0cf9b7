"""A board in the test's own process: the node's real exchange over HTTP, its real print loop, a simulated machine, and
the clock of the test."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from wsgiref.simple_server import WSGIRequestHandler, WSGIServer, make_server

from machines.chance import SYSTEM
from machines.drivers.simulated.faults import FaultPlan
from machines.drivers.simulated.machine import SimulatedMachine
from machines.drivers.simulated.paper import read_paper
from machines.model.calibration import Calibration
from machines.model.profile import Profile
from machines.node import assembly
from machines.node.assembly import assemble
from machines.node.printing.loop import Printer
from machines.node.settings import Settings
from machines.node.store import outbox
from machines.node.store.journal import Journal, open_journal
from machines.node.sync.exchange import Exchange
from machines.node.waiting.inquiry import WorkInquiry
from machines.node.work.plate_cache import PlateCache
from machines.protocol.messages import RunWork
from server import jobs
from server.wsgi import application
from tests.server.enrolling import enrol
from tests.server.studio import HeldClock

PASS_EVERY_S = 600.0
# The clock knows no less than a microsecond, and stands still where it is to wait for less.
LEAST_S = 0.001


class _Quiet(WSGIRequestHandler):
    def log_message(self, format: str, *args: Any) -> None:
        """Nothing is said of a request."""


@contextmanager
def served() -> Iterator[str]:
    """The server's application behind a real socket; its address."""
    server: WSGIServer = make_server("127.0.0.1", 0, application, handler_class=_Quiet)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@dataclass
class Board:
    """A board that is enrolled, and its agent.

    Attributes:
        home: its folder.
        clock: that the server goes by, too.
    """

    home: Path
    clock: HeldClock
    _journal: Journal | None = None
    _exchange: Exchange = field(init=False)
    _printer: Printer = field(init=False)

    def enrol(self, server: str, code: str) -> None:
        """As a person does it, while no agent runs."""
        enrol(self.home, server, code)

    def start(self) -> None:
        """The agent begins."""
        self._journal = open_journal(self.home)
        parts = assemble(
            assembly.Board(
                home=self.home,
                journal=self._journal,
                clock=self.clock,
                boot="boot",
                plates=PlateCache(self.home / "plates"),
                open_driver=self._open,
                connect=assembly.call,
                inquiry=WorkInquiry(self.clock.elapsed, self.clock.elapsed),
                chance=SYSTEM,
            ),
            Settings(horizon="PT24H", resume_unattended=True),
        )
        self._exchange, self._printer = parts.exchange, parts.printer
        self._printer.begin()

    def stop(self) -> None:
        """In order, with a last pass."""
        self._printer.end()
        self._exchange.run_once()
        self.cut_power()

    def cut_power(self) -> None:
        """At this moment."""
        if self._journal is not None:
            self._exchange.client.close()
            self._journal.close()
            self._journal = None

    def run_until(self, instant: datetime) -> None:
        """Print and talk to the server, which plans ahead meanwhile, until the clock shows an instant."""
        next_pass_s = self.clock.elapsed()
        while self.clock.at < instant:
            if self.clock.elapsed() >= next_pass_s:
                jobs.extend()
                self._exchange.run_once()
                next_pass_s = self.clock.elapsed() + PASS_EVERY_S
            if (wait_s := self._printer.step()) > 0:
                left_s = min(next_pass_s - self.clock.elapsed(), (instant - self.clock.at).total_seconds())
                self.clock.sleep(max(min(wait_s, left_s), LEAST_S))

    def passes(self, count: int) -> None:
        """So many passes of the exchange, at this moment."""
        for _ in range(count):
            self._exchange.run_once()

    def laid(self) -> list[int]:
        """Running columns on the paper, in the order of their places."""
        return [int(column) for column in read_paper(self.home / "paper").laid["column"]]

    def told(self) -> tuple[int, int]:
        """The number of the newest entry of the journal, and how many the server has not taken."""
        assert self._journal is not None
        with self._journal.reading() as db:
            return outbox.next_seq(db) - 1, outbox.count_unaccepted(db)

    def _open(self, profile: Profile, run: RunWork, calibration: Calibration) -> SimulatedMachine:
        paper = self.home / "paper"
        return SimulatedMachine(paper, profile, run.nozzle_seed, self.clock, calibration=calibration, faults=FaultPlan)


def later(at: datetime, hours: float) -> datetime:
    """So many hours after an instant."""
    return at + timedelta(hours=hours)
