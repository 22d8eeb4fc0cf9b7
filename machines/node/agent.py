"""The running node: the print loop in the main thread, the exchange with the server in another, and an orderly end."""

from __future__ import annotations

import fcntl
import logging
import signal
import sqlite3
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from time import sleep
from types import FrameType
from typing import IO

from machines.clock import Clock
from machines.errors import InputError
from machines.node import beside, holds
from machines.node.asked import AskedForWork
from machines.node.assembly import Board, assemble, call
from machines.node.at_hand import OpenDriver
from machines.node.journal import Journal, open_journal
from machines.node.panel.panel import Panel
from machines.node.panel.serving import serving
from machines.node.plates import PlateStore
from machines.node.printing import MustNotPrint, Printer
from machines.node.service import ALIVE, READY, STOPPING, Tell
from machines.node.settings import Settings
from machines.node.timekeeper import Timekeeper

log = logging.getLogger(__name__)

# How often to look whether to stop, whether work came, whether a person armed the knife; real seconds.
LOOK_S = 0.2
# How long the last reports may take once the machine stands still, real seconds.
FAREWELL_S = 5.0
# A thread that computes lets another go on after so long, real seconds; the print loop must not wait for the network's.
SWITCH_S = 0.001
LOCK_ATTEMPTS, LOCK_PAUSE_S = 20, 0.05
BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


class Stop:
    """Whether to stop; set by a signal, looked at by the loops."""

    def __init__(self) -> None:
        self._asked = False

    def ask(self, signum: int = 0, frame: FrameType | None = None) -> None:
        """Stop after what is under way."""
        self._asked = True

    def is_asked(self) -> bool:
        """Whether somebody did."""
        return self._asked


def boot_name(clock: Clock) -> str:
    """Names the count of elapsed seconds: this boot of the board, as this clock shows it."""
    return f"{BOOT_ID.read_text().strip()} {clock!r}"


@contextmanager
def only_agent(home: Path) -> Iterator[None]:
    """Be the only agent of a home folder; the kernel gives the lock back however the process ends.

    Raises:
        InputError: another one runs.
    """
    with (home / "lock").open("w") as file:
        for _ in range(LOCK_ATTEMPTS):  # who only looks whether an agent runs holds the lock for an instant, too
            if _locked(file):
                break
            sleep(LOCK_PAUSE_S)
        else:
            raise InputError("home", f"an agent is running in {home}", "stop it first, or give another --home")
        yield


def agent_runs(home: Path) -> bool:
    """Whether an agent holds the folder now."""
    if not (home / "lock").exists():
        return False
    with (home / "lock").open("w") as file:
        return not _locked(file)


def _locked(file: IO[str]) -> bool:
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def run(home: Path, clock: Clock, open_driver: OpenDriver, settings: Settings, tell: Tell) -> None:
    """Print until SIGTERM or SIGINT, or until this node is fenced off; ``tell`` the service manager how it is.

    Raises:
        InputError: the home cannot be used, or is not enrolled.
        MustNotPrint: the node is fenced off.
    """
    journal = open_journal(home)
    try:
        with only_agent(home):
            _run(home, journal, clock, open_driver, settings, tell)
    finally:
        journal.close()


def _run(home: Path, journal: Journal, clock: Clock, open_driver: OpenDriver, settings: Settings, tell: Tell) -> None:
    parts = assemble(
        Board(
            home=home,
            journal=journal,
            clock=clock,
            boot=boot_name(clock),
            plates=PlateStore(home / "plates"),
            open_driver=open_driver,
            connect=call,
            asked=AskedForWork(clock.elapsed),
        ),
        settings,
    )
    time, exchange, printer = parts.time, parts.exchange, parts.printer
    stop, still = Stop(), Stop()
    panel = Panel(journal, clock, time.estimate, boot_name(clock), settings.stop_without_pin)
    with _signals(stop.ask), serving(panel, settings.panel):
        network = beside.begin(
            "the exchange with the server", partial(exchange.run, still.is_asked, LOOK_S), still.is_asked
        )
        beside.begin("the watch", partial(_watch, journal, printer, time, tell, still.is_asked), still.is_asked)
        tell(READY)
        try:
            _print(printer, clock, stop.is_asked)
        finally:
            tell(STOPPING)
            still.ask()
            network.join(FAREWELL_S)


def _watch(journal: Journal, printer: Printer, time: Timekeeper, tell: Tell, ended: Callable[[], bool]) -> None:
    """Stop also a motion that is under way, when a person says stop; take up a time that a person set; and say that the
    print loop is alive, as long as it is: it takes steps, or waits for the machine, whose driver has limits of its
    own."""
    steps = -1
    while not ended():
        if printer.steps != steps or printer.laying:
            tell(ALIVE)
        steps = printer.steps
        try:
            state = journal.glance()
            if state is not None and state.hold == holds.STOPPED:
                printer.halt()
            if state is not None and state.time_said:
                time.take_up_word()
        except sqlite3.ProgrammingError:  # the journal was closed while we looked
            return
        except sqlite3.Error as error:  # the print loop has its own say
            log.warning("the time that a person set was not taken up yet: %s", error)
        sleep(LOOK_S)


def _print(printer: Printer, clock: Clock, stopping: Callable[[], bool]) -> None:
    """Any other exception than the one of `step` leaves the loop as a power cut would: what was ordered is unknown."""
    printer.begin()
    try:
        while not stopping():
            wait_s = printer.step()
            if wait_s > 0:
                clock.sleep(wait_s, at_most_real_s=LOOK_S)
    except MustNotPrint:
        printer.end()
        raise
    printer.end()
    log.info("stopped in order")


@contextmanager
def _signals(stop: Callable[[int, FrameType | None], None]) -> Iterator[None]:
    before = {number: signal.signal(number, stop) for number in (signal.SIGTERM, signal.SIGINT)}
    interval = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_S)
    try:
        yield
    finally:
        sys.setswitchinterval(interval)
        for number, handler in before.items():
            signal.signal(number, handler)
