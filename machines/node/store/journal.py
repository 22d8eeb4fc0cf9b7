"""The node's memory: one SQLite file from which everything after a crash follows.

A power cut may come at any instant. What a transaction committed is on the card; so the machine is ordered only after
the order is committed, and what it did is committed only after it did it. An order without an outcome is *unknown*.
"""

from __future__ import annotations

import logging
import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from machines.errors import InputError
from machines.node.store.journal_versions import bring_up
from machines.node.waiting.bell import TellsAgent
from machines.node.waiting.news import News
from machines.operator.holds import Hold

log = logging.getLogger(__name__)

T = TypeVar("T")
U = TypeVar("U")

FILE_NAME = "journal.sqlite3"
BUSY_LIMIT_S = 10.0
# That an agent began is not told yet, and how the one before it ended.
AFTER_ORDERLY, AFTER_UNPLANNED = 1, 2


@dataclass(frozen=True, kw_only=True)
class State:
    """Where the node stands; the columns of the table of the same name."""

    run: str | None
    next_column: int
    paper_position: int
    catching_up: bool
    knife_armed: bool
    arming_asked: bool
    running: bool
    start_to_report: int
    conditions: tuple[str, ...]
    fenced: str
    work_version: int
    cut_place: int
    hold: Hold
    roll_place: int
    blade_cuts: int
    actions: int
    taking_over: bool = False
    perhaps_end: int | None = None
    drops: int = 0
    drops_since: float | None = None
    gap_place: int | None = None
    time_said: bool = False
    handwork: int = 0
    disarmings: int = 0


class Journal:
    """The open file. Two threads may use it: a transaction holds its lock from beginning to commit.

    Attributes:
        news: told of every commit.
        connection: of the file, for whoever wraps a journal.
    """

    def __init__(self, connection: sqlite3.Connection, news: News | None = None) -> None:
        self.news = news or News()
        self.connection = connection
        self._kept: dict[Callable[[sqlite3.Connection], Any], Any] = {}
        self._kept_at: tuple[int, int] | None = None
        self._lock = threading.RLock()

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """All that is written inside is on the card when the block ends, or none of it."""
        with self._lock:
            self.connection.execute("BEGIN IMMEDIATE")
            try:
                yield self.connection
                self.connection.execute("COMMIT")
            except BaseException:
                self._undo()
                raise
        self.news.tell()

    def _undo(self) -> None:
        """End a transaction that broke off or could not be committed; what went wrong first is what is told of it."""
        self._kept_at = None  # what is kept may have been read in between
        if not self.connection.in_transaction:  # SQLite has undone it, as it does on a full card
            return
        try:
            self.connection.execute("ROLLBACK")
        except sqlite3.Error:
            log.exception("what was not committed to the journal could not be undone")

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """For reading only: no other thread's transaction is half done in between."""
        with self._lock:
            yield self.connection

    def state(self) -> State:
        """Where the node stands; as it was read last, where nothing was written since."""
        return self.kept(read_state)

    def kept(self, read: Callable[[sqlite3.Connection], T]) -> T:
        """What a function reads of the journal; as it was read last, where nothing was written since. Each step of the
        print loop asks several times, and seldom is anything else. It must not be changed by whoever asks."""
        with self._lock:
            return self._kept_now(read)

    def kept_both(self, read: Callable[[sqlite3.Connection], T], too: Callable[[sqlite3.Connection], U]) -> tuple[T, U]:
        """As `kept`, what two functions read of one moment: nobody writes in between."""
        with self._lock:
            return self._kept_now(read), self._found(too)

    def glance(self) -> State | None:
        """Where the node stands; None if another thread is in the middle of a transaction, which may take a while."""
        if not self._lock.acquire(blocking=False):
            return None
        try:
            return self._kept_now(read_state)
        finally:
            self._lock.release()

    def _kept_now(self, read: Callable[[sqlite3.Connection], T]) -> T:
        """What this connection has written it counts itself, and the file tells of others'."""
        (by_others,) = self.connection.execute("PRAGMA data_version").fetchone()
        written = self.connection.total_changes, by_others
        if self._kept_at != written:
            self._kept, self._kept_at = {}, written
        return self._found(read)

    def _found(self, read: Callable[[sqlite3.Connection], T]) -> T:
        if read not in self._kept:
            self._kept[read] = read(self.connection)
        found: T = self._kept[read]
        return found

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self.connection.close()


def open_journal(home: Path, *, create: bool = False, news: News | None = None) -> Journal:
    """Open the journal of a home folder.

    Args:
        home: the node's folder.
        create: make folder and journal if they are not there; they hold a secret and are readable by their owner only.
        news: told of every commit; None in a process beside the agent's, which hears of each.

    Raises:
        InputError: there is none, or it is damaged, or of a later version of this program.
        OperationalError: its files cannot be read or written now, on a full or worn card for one.
    """
    path = home / FILE_NAME
    if create:
        home.mkdir(mode=0o700, parents=True, exist_ok=True)
        path.touch(mode=0o600)
    if not path.exists():
        raise InputError("home", f"no journal in {home}", "enrol the board first: dayroll-node enrol")
    connection = sqlite3.connect(path, timeout=BUSY_LIMIT_S, isolation_level=None, check_same_thread=False)
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        check_and_create(connection, path)
    except InputError:  # nobody holds it open then, beside the program that can read it
        connection.close()
        raise
    except sqlite3.DatabaseError as error:
        connection.close()
        if _is_busy(error):  # nothing is wrong with it: whoever moved it away now would lose the board's memory
            problem = f"the journal {path} is in use, for {BUSY_LIMIT_S:g} s on end"
            raise InputError("home", problem, "try again; leave the folder as it is") from error
        if _is_card(error):  # nor with this one: it is all there once the card can be written again
            raise
        remedy = "keep a copy of the folder for the studio, move it away and enrol the board again"
        raise InputError("home", f"the journal {path} cannot be used ({error})", remedy) from error
    return Journal(connection, news or TellsAgent(home))


def _is_busy(error: sqlite3.DatabaseError) -> bool:
    return _code(error) in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)


def _is_card(error: sqlite3.DatabaseError) -> bool:
    return _code(error) in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_FULL)


def _code(error: sqlite3.DatabaseError) -> int | None:
    """The first octet of SQLite's own code; None where this program raised it itself."""
    code = getattr(error, "sqlite_errorcode", None)
    return None if code is None else code & 0xFF


def check_and_create(connection: sqlite3.Connection, path: Path) -> None:
    """Bring the tables up, and see that the file is whole.

    Raises:
        InputError: a later version wrote it.
        DatabaseError: it is damaged, or cannot be used now.
    """
    bring_up(connection, path)
    (verdict,) = connection.execute("PRAGMA quick_check(1)").fetchone()
    if verdict != "ok":
        raise sqlite3.DatabaseError(verdict)


def read_state(db: sqlite3.Connection) -> State:
    """The state as it stands inside a transaction."""
    row = db.execute(
        "SELECT run, next_column, paper_position, catching_up, knife_armed, arming_asked, running, start_to_report,"
        " conditions, fenced, work_version, cut_place, hold, roll_place, blade_cuts, (SELECT count(*) FROM action),"
        " taking_over, perhaps_end, drops, drops_since, gap_place, time_said,"
        " (SELECT count(*) FROM handwork WHERE ended = ''), (SELECT count(*) FROM disarming) FROM state"
    ).fetchone()
    return State(
        run=row[0],
        next_column=row[1],
        paper_position=row[2],
        catching_up=bool(row[3]),
        knife_armed=bool(row[4]),
        arming_asked=bool(row[5]),
        running=bool(row[6]),
        start_to_report=row[7],
        conditions=tuple(row[8].split()),
        fenced=row[9],
        work_version=row[10],
        cut_place=row[11],
        hold=row[12],
        roll_place=row[13],
        blade_cuts=row[14],
        actions=row[15],
        taking_over=bool(row[16]),
        perhaps_end=row[17],
        drops=row[18],
        drops_since=row[19],
        gap_place=row[20],
        time_said=bool(row[21]),
        handwork=row[22],
        disarmings=row[23],
    )


def change_state(db: sqlite3.Connection, **columns: str | float | None) -> None:
    """Write columns of the state, by name."""
    assignments = ", ".join(f"{name} = :{name}" for name in columns)
    db.execute(f"UPDATE state SET {assignments}", columns)
