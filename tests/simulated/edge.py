"""What a board stands on in a simulated world: a journal, a card and a machine beside which the power may go."""

from __future__ import annotations

import errno
import logging
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from numpy.typing import NDArray

from machines.drivers.simulated.machine import SimulatedMachine
from machines.model.profile import Profile
from machines.node.store.journal import Journal
from machines.node.work.plate_cache import PlateCache
from tests.simulated.words_watched import WordsWatched
from tests.simulated.world import Fuse, current_task


class Board(Protocol):
    """What these need of their board."""

    fuse: Fuse
    is_full: bool
    read_only: int
    words: WordsWatched

    def committed(self, db: sqlite3.Connection) -> None:
        """A commit of its journal is over."""

    def kept(self, file: Path) -> None:
        """A file was said to be on its card."""

    def let_go(self, machine: SimulatedMachine) -> None:
        """A machine was closed."""


class BurningJournal(Journal):
    """A journal of a board whose power may go, and whose card may be full or can be read only."""

    def __init__(self, journal: Journal, board: Board) -> None:
        super().__init__(journal.connection, journal.news)
        self._board = board

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """As the journal's."""
        self._board.fuse.burn()
        with super().transaction() as db:
            yield db
            if self._board.is_full:
                raise sqlite3.OperationalError("database or disk is full")
            if self._board.read_only:
                raise sqlite3.OperationalError("disk I/O error")
        self._board.committed(self.connection)
        self._board.words.look(self.connection)
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
class CardPlates(PlateCache):
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
        self.board.kept(self._path(digest))
        self.board.fuse.burn()


class ProgramLogs(logging.Handler):
    """What a board's program says goes to that board's log."""

    def emit(self, record: logging.LogRecord) -> None:
        """Write it, where it is a board's."""
        task = current_task()
        if task is not None and task.program is not None:
            task.program._say(self.format(record) + "\n")
