"""The running node: the print loop in the main thread, the exchange with the server in another, and an orderly end."""

from __future__ import annotations

import fcntl
import logging
import math
import signal
import sqlite3
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from functools import partial
from pathlib import Path
from time import sleep
from types import FrameType
from typing import IO

from machines.chance import SYSTEM
from machines.clock import Clock
from machines.errors import InputError
from machines.node.assembly import Board, assemble, call
from machines.node.device.controller import OpenDriver
from machines.node.panel.panel import Panel
from machines.node.panel.serving import serving
from machines.node.printing.loop import MustNotPrint, Printer
from machines.node.settings import Settings
from machines.node.store.journal import Journal, State, open_journal
from machines.node.sync.timekeeper import Timekeeper
from machines.node.systemd import ALIVE, READY, STOPPING, Tell
from machines.node.waiting import bell, supervised
from machines.node.waiting.inquiry import WorkInquiry
from machines.node.waiting.news import News
from machines.node.work.plate_cache import PlateCache
from machines.operator import holds

log = logging.getLogger(__name__)

# How often to look whether a machine that a person stopped has come to rest, real seconds.
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

    def ask(self) -> None:
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
    journal = open_journal(home, news=News())
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
            plates=PlateCache(home / "plates"),
            open_driver=open_driver,
            connect=call,
            inquiry=WorkInquiry(clock.elapsed, tell=journal.news.tell),
            chance=SYSTEM,
        ),
        settings,
    )
    time, exchange, printer = parts.time, parts.exchange, parts.printer
    stop, still = Stop(), Stop()
    panel = Panel(journal, clock, time.estimate, SYSTEM, boot_name(clock), stop_is_open=settings.stop_without_pin)
    with bell.heard(home, journal.news), heeding_signals(stop, home), _served(panel, settings):
        network = supervised.begin(
            "the exchange with the server", partial(exchange.run, still.is_asked), still.is_asked
        )
        supervised.begin("the watch", partial(watch, journal, printer, time, tell, still.is_asked), still.is_asked)
        tell(READY)
        try:
            print_until(printer, clock, journal.news, stop.is_asked)
        finally:
            tell(STOPPING)
            still.ask()
            journal.news.tell()
            network.join(FAREWELL_S)


def _served(panel: Panel, settings: Settings) -> AbstractContextManager[int | None]:
    return serving(panel, settings.panel, settings.panel_called)


def watch(journal: Journal, printer: Printer, time: Timekeeper, tell: Tell, ended: Callable[[], bool]) -> None:
    """Stop also a motion that is under way, when a person says stop; take up a time that a person set; and say that the
    print loop is alive, as long as it is: it takes steps, or waits for the machine, whose driver has limits of its
    own."""
    news, steps = journal.news, -1
    while True:
        told = news.told
        if ended():
            return
        if printer.steps != steps or printer.laying:
            tell(ALIVE)
        steps = printer.steps
        wait_s = LOOK_S
        try:
            state = journal.glance()
            if state is not None:
                wait_s = watched(state, printer, time)
        except sqlite3.ProgrammingError:  # the journal was closed while we looked
            return
        except sqlite3.Error as error:  # the print loop has its own say
            log.warning("the time that a person set was not taken up yet: %s", error)
        news.wait(told, wait_s)


def watched(state: State, printer: Printer, time: Timekeeper) -> float:
    """See to what a person said; how long until it must be seen to again, where no news come, real seconds. A stop may
    be heard just before the next motion begins; so it is looked again until the machine rests."""
    if state.time_said:
        time.take_up_word()
    if state.hold != holds.STOPPED:
        return math.inf
    printer.halt()
    return math.inf if printer.rests_as(holds.STOPPED) else LOOK_S


def print_until(printer: Printer, clock: Clock, news: News, stopping: Callable[[], bool]) -> None:
    """Print. Any other exception than the one of `step` leaves the loop as a power cut would: what was ordered is
    unknown."""
    printer.begin()
    try:
        while True:
            told = news.told
            if stopping():
                break
            wait_s = printer.step()
            if wait_s > 0:
                news.wait(told, min(clock.real_s(wait_s), printer.asked_every_s))
    except MustNotPrint:
        printer.end()
        raise
    printer.end()
    log.info("stopped in order")


@contextmanager
def heeding_signals(stop: Stop, home: Path) -> Iterator[None]:
    """SIGTERM and SIGINT have the agent stop. Its own bell has the loops look: in a handler, nothing that others wait
    for may be touched."""

    def asked(signum: int, frame: FrameType | None) -> None:
        stop.ask()
        bell.ring(home)

    before = {number: signal.signal(number, asked) for number in (signal.SIGTERM, signal.SIGINT)}
    interval = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_S)
    try:
        yield
    finally:
        sys.setswitchinterval(interval)
        for number, handler in before.items():
            signal.signal(number, handler)
