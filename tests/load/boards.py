"""Some hundreds of boards in one process: each is looked at when something of it is due, by a few threads."""

from __future__ import annotations

import heapq
import math
import os
import threading
import time
import traceback
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from random import Random

from machines.clock import CLOCK_VARIABLE, Clock, true_clock
from tests.load.board import LoadedBoard, enrol
from tests.load.figures import Figures

THREADS = 12
SET_UP_AT_ONCE = 2
TELL_EVERY_S = 1.0


@dataclass(frozen=True)
class Group:
    """What a process is told.

    Attributes:
        folder: of its boards, a folder each by the machine's name.
        server: its address.
        codes: of each machine.
        clock: by which they are set up, as `DAYROLL_CLOCK` has it.
        spread_s: over how many real seconds they begin.
    """

    folder: Path
    server: str
    codes: Mapping[str, str]
    clock: str
    spread_s: float


def live(group: Group, line: Connection) -> None:
    """Set up, say so, wait for a clock; then print until anything more is said, and tell what is measured."""
    os.nice(10)  # as the server is, so that neither goes before the other
    with ThreadPoolExecutor(SET_UP_AT_ONCE) as pool:
        list(pool.map(lambda machine: _set_up(group, machine), group.codes))
    line.send("set up")
    clock = true_clock({CLOCK_VARIABLE: line.recv()})
    boards = Boards(group, clock)
    telling = threading.Thread(target=_tell, args=(boards, line))
    telling.start()
    boards.run()
    telling.join()
    boards.close()
    line.send(boards.taken())
    line.send(None)


def _set_up(group: Group, machine: str) -> None:
    """As when a board is installed: it is enrolled, has its work and plates, and is turned off again."""
    home = group.folder / machine
    enrol(home, group.server, group.codes[machine])
    board = LoadedBoard(home, true_clock({CLOCK_VARIABLE: group.clock}), lambda write: None, lambda board: None)
    board.exchange()
    board.stop()


def _tell(boards: Boards, line: Connection) -> None:
    while not line.poll(TELL_EVERY_S):
        line.send(boards.taken())
    boards.stop()


@dataclass
class Due:
    """One thing that a board does again and again.

    Attributes:
        at_s: when next, by `time.monotonic`.
        is_on: a thread is at it.
        is_wanted: something was new meanwhile.
    """

    do: Callable[[], float]
    at_s: float
    is_on: bool = False
    is_wanted: bool = False


@dataclass
class Boards:
    """All of a group, as they come."""

    group: Group
    clock: Clock
    _figures: Figures = field(default_factory=Figures)
    _boards: list[LoadedBoard] = field(default_factory=list)
    _heap: list[tuple[float, int, Due]] = field(default_factory=list)
    _changed: threading.Condition = field(default_factory=threading.Condition)
    _count: int = 0
    _stopping: bool = False

    def __post_init__(self) -> None:
        now_s, dice = time.monotonic(), Random(str(self.group.folder))
        for machine in self.group.codes:
            self._put(Due(self._beginning(machine), now_s + dice.uniform(0.0, self.group.spread_s)))

    def taken(self) -> Figures:
        """What was measured since this was asked last."""
        with self._changed:
            taken, self._figures = self._figures, Figures()
        return taken

    def stop(self) -> None:
        """Begin nothing more."""
        with self._changed:
            self._stopping = True
            self._changed.notify_all()

    def run(self) -> None:
        """Do what is due, until it is time to stop."""
        threads = [threading.Thread(target=self._work) for _ in range(THREADS)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()

    def close(self) -> None:
        """All of them go."""
        for board in self._boards:
            board.close()

    def note(self, write: Callable[[Figures], None]) -> None:
        """Write something down among what is measured."""
        with self._changed:
            write(self._figures)

    def _beginning(self, machine: str) -> Callable[[], float]:
        def begin() -> float:
            printing, passing = Due(lambda: board.print_step(), 0.0), Due(lambda: board.exchange(), 0.0)

            def look(at: LoadedBoard) -> None:
                self._want(printing)
                if at.inquiry.is_wanted:
                    self._want(passing)

            board = LoadedBoard(self.group.folder / machine, self.clock, self.note, look)
            with self._changed:
                self._boards.append(board)
                self._put(passing)
                self._put(printing)
                self._changed.notify_all()
            return math.inf

        return begin

    def _put(self, due: Due) -> None:
        self._count += 1
        heapq.heappush(self._heap, (due.at_s, self._count, due))

    def _want(self, due: Due) -> None:
        with self._changed:
            due.is_wanted = True
            if not due.is_on and due.at_s > 0.0:
                due.at_s = 0.0
                self._put(due)
                self._changed.notify()

    def _work(self) -> None:
        while (due := self._next()) is not None:
            try:
                wait_s = due.do()
            except Exception:  # noqa: BLE001 - a board that broke off is told, and the others go on
                wait_s = math.inf
                with self._changed:
                    self._figures.errors.append(traceback.format_exc())
            with self._changed:
                due.is_on = False
                due.at_s = 0.0 if due.is_wanted and wait_s < math.inf else time.monotonic() + wait_s
                if due.at_s < math.inf:
                    self._put(due)
                    self._changed.notify()

    def _next(self) -> Due | None:
        """What is due first, once it is; None when it is time to stop."""
        with self._changed:
            while not self._stopping:
                while self._heap and (self._heap[0][0] != self._heap[0][2].at_s or self._heap[0][2].is_on):
                    heapq.heappop(self._heap)  # it was put anew for another time
                left_s = self._heap[0][0] - time.monotonic() if self._heap else 1.0
                if self._heap and left_s <= 0.0:
                    due = heapq.heappop(self._heap)[2]
                    due.is_on, due.is_wanted = True, False
                    return due
                self._changed.wait(left_s)
        return None
