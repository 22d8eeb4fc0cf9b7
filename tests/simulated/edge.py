"""What a board stands on in a simulated world: a journal, a card and a machine beside which the power may go."""

from __future__ import annotations

import errno
import logging
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Protocol

from greenlet import getcurrent
from numpy.typing import NDArray

from machines.clock import Clock
from machines.drivers.simulated import SimulatedMachine
from machines.node.asked import AskedForWork
from machines.node.journal import Journal
from machines.node.plates import PlateStore
from machines.profile import Profile
from tests.simulated.judged_words import WordsWatched
from tests.simulated.world import Fuse

# A loop that looks every now and then does so at least this often, virtual seconds.
LOOK_S = 120.0


class Board(Protocol):
    """What these need of their board."""

    fuse: Fuse
    is_full: bool
    read_only: int
    words: WordsWatched

    def news(self) -> None:
        """Whoever waits looks at once."""

    def let_go(self, machine: SimulatedMachine) -> None:
        """A machine was closed."""


class BurningJournal(Journal):
    """A journal of a board whose power may go, and whose card may be full or can be read only."""

    def __init__(self, journal: Journal, board: Board) -> None:
        super().__init__(journal._connection)
        self._board = board

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """As the journal's; whoever waits for news looks afterwards."""
        self._board.fuse.burn()
        with super().transaction() as db:
            yield db
            if self._board.is_full:
                raise sqlite3.OperationalError("database or disk is full")
            if self._board.read_only:
                raise sqlite3.OperationalError("disk I/O error")
        self._board.words.look(self._connection)
        self._board.news()
        self._board.fuse.burn()


@dataclass
class BurningMachine:
    """A machine beside which the power may go."""

    machine: SimulatedMachine
    board: Board

    def lay(self, place: int, dots: NDArray[Any], first_column: int) -> None:
        """Lay the columns."""
        self.board.fuse.burn()
        self.machine.lay(place, dots, first_column)
        self.board.fuse.burn()

    def lay_pattern(self, place: int, pattern: Any) -> None:
        """Lay what is of no picture."""
        self.board.fuse.burn()
        self.machine.lay_pattern(place, pattern)
        self.board.fuse.burn()

    def cut(self, place: int) -> None:
        """Cut."""
        self.board.fuse.burn()
        self.machine.cut(place)
        self.board.fuse.burn()

    def close(self) -> None:
        """Stop."""
        self.machine.close()
        self.board.let_go(self.machine)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.machine, name)


@dataclass(frozen=True)
class CardPlates(PlateStore):
    """Plates on a card that may be full or can be read only."""

    board: Board

    def keep(self, digest: str, png: Any, profile: Profile) -> None:
        """As the store's."""
        self.board.fuse.burn()
        if self.board.is_full:
            raise OSError(errno.ENOSPC, "no space left on device")
        if self.board.read_only:
            raise OSError(errno.EROFS, "read-only file system")
        super().keep(digest, png, profile)
        self.board.fuse.burn()


class AskedAloud(AskedForWork):
    """Whoever looks whether a pass is wanted is woken when it is."""

    def __init__(self, elapsed: Callable[[], float], news: Callable[[], None]) -> None:
        super().__init__(elapsed, elapsed)
        self._news = news

    def is_awaited(self) -> bool:
        """As it is; the first time is news."""
        is_new = self._since is None
        awaited = super().is_awaited()
        if is_new:
            self._news()
        return awaited


@dataclass(frozen=True)
class LookingClock:
    """The board's clock. A loop that looks every now and then is woken by news, and looks a little less often."""

    clock: Clock

    def now(self) -> float:
        """The board's belief of UTC."""
        return self.clock.now()

    def elapsed(self) -> float:
        """Elapsed seconds of this boot."""
        return self.clock.elapsed()

    def sleep(self, seconds: float, at_most_real_s: float = float("inf")) -> None:
        """Wait."""
        self.clock.sleep(min(seconds, LOOK_S) if at_most_real_s < float("inf") else seconds, at_most_real_s)


class ProgramLogs(logging.Handler):
    """What a board's program says goes to that board's log."""

    def emit(self, record: logging.LogRecord) -> None:
        """Write it, where it is a board's."""
        program = getattr(getattr(getcurrent(), "task", None), "program", None)
        if program is not None:
            program._say(self.format(record) + "\n")
