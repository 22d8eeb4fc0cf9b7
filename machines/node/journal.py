"""The node's memory: one SQLite file from which everything after a crash follows.

A power cut may come at any instant. What a transaction committed is on the card; so the machine is ordered only after
the order is committed, and what it did is committed only after it did it. An order without an outcome is *unknown*.
"""

from __future__ import annotations

import logging
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from machines.errors import InputError
from machines.node.bell import TellsAgent
from machines.node.news import News

log = logging.getLogger(__name__)

FILE_NAME = "journal.sqlite3"
BUSY_LIMIT_S = 10.0

_SCHEMA = """
CREATE TABLE state (
    only INTEGER PRIMARY KEY CHECK (only = 1),
    run TEXT,                                    -- the run that next_column belongs to
    next_column INTEGER NOT NULL DEFAULT 0,      -- first column not accounted for
    paper_position INTEGER NOT NULL DEFAULT 0,   -- columns of paper fed since the machine's first
    catching_up INTEGER NOT NULL DEFAULT 0,      -- a replay has not yet come true to the sky
    knife_armed INTEGER NOT NULL DEFAULT 0,
    arming_asked INTEGER NOT NULL DEFAULT 0,     -- a person asked, and the agent has not taken it up yet
    cut_place INTEGER NOT NULL DEFAULT -1,       -- of the last cut
    running INTEGER NOT NULL DEFAULT 0,          -- an agent began and did not end in order
    start_to_report INTEGER NOT NULL DEFAULT 0,  -- 1: after an orderly stop, 2: after an unplanned one
    conditions TEXT NOT NULL DEFAULT '',         -- last reported, separated by spaces
    fenced TEXT NOT NULL DEFAULT '',             -- why this node must not print any more
    work_version INTEGER NOT NULL DEFAULT 0      -- counts the changes of what is held
);
INSERT INTO state (only) VALUES (1);

CREATE TABLE document (name TEXT PRIMARY KEY, body TEXT NOT NULL);

CREATE TABLE segment (
    run TEXT NOT NULL,
    number INTEGER NOT NULL,
    first_column INTEGER NOT NULL,
    end_column INTEGER NOT NULL,
    body TEXT NOT NULL,
    PRIMARY KEY (run, number)
);

CREATE TABLE burst (
    run TEXT NOT NULL,
    first_column INTEGER NOT NULL,
    end_column INTEGER NOT NULL,
    segment INTEGER NOT NULL,
    place INTEGER NOT NULL,
    due REAL NOT NULL,                           -- its instant, POSIX seconds
    ordered_at REAL NOT NULL,
    laid_at REAL,                                -- NULL: nobody saw it finished
    reported INTEGER NOT NULL DEFAULT 0,
    PRIMARY KEY (run, first_column)
);

CREATE TABLE strip (
    run TEXT NOT NULL,
    boundary INTEGER NOT NULL,
    place INTEGER NOT NULL,
    state TEXT NOT NULL DEFAULT 'due' CHECK (state IN ('due', 'ordered')),
    PRIMARY KEY (run, boundary)
);

CREATE TABLE entry (seq INTEGER PRIMARY KEY, body TEXT NOT NULL, accepted INTEGER NOT NULL DEFAULT 0);
"""

# What each version adds to the one before it.
_LATER = {
    2: """
ALTER TABLE state ADD COLUMN hold TEXT NOT NULL DEFAULT '';          -- see machines.node.holds
ALTER TABLE state ADD COLUMN roll_place INTEGER NOT NULL DEFAULT 0;  -- place on the paper where the roll began
ALTER TABLE state ADD COLUMN blade_cuts INTEGER NOT NULL DEFAULT 0;  -- made with this blade
CREATE TABLE action (id INTEGER PRIMARY KEY AUTOINCREMENT, name TEXT NOT NULL);  -- not reported yet
""",
    3: """
ALTER TABLE state ADD COLUMN taking_over INTEGER NOT NULL DEFAULT 0;  -- another board may have laid what is not told
ALTER TABLE state ADD COLUMN perhaps_end INTEGER;  -- end of the columns that it may have laid; NULL for none
""",
    5: """
CREATE TABLE track (                             -- of the paper's slip, see machines.position
    only INTEGER PRIMARY KEY CHECK (only = 1),
    zero_mm REAL,
    said_mm REAL NOT NULL DEFAULT 0,
    corrected_mm REAL NOT NULL DEFAULT 0
);
INSERT INTO track (only) VALUES (1);
""",
    6: """
ALTER TABLE state ADD COLUMN drops INTEGER NOT NULL DEFAULT 0;  -- fired in pictures since the cartridge was changed
ALTER TABLE state ADD COLUMN drops_since REAL;                  -- instant of the first of them, POSIX seconds
ALTER TABLE state ADD COLUMN gap_place INTEGER;  -- where unknown columns begin, if paper was fed by hand since
ALTER TABLE state ADD COLUMN time_said INTEGER NOT NULL DEFAULT 0;  -- a person set the time, see set_time
ALTER TABLE action ADD COLUMN pattern TEXT;
ALTER TABLE action ADD COLUMN paper_position INTEGER;
ALTER TABLE action ADD COLUMN paper_columns INTEGER NOT NULL DEFAULT 0;
ALTER TABLE action ADD COLUMN seen_done INTEGER NOT NULL DEFAULT 1;
ALTER TABLE action ADD COLUMN error_s REAL;
CREATE TABLE handwork (                          -- see machines.node.handwork
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    action TEXT NOT NULL,
    pattern TEXT,
    length_mm REAL,
    place INTEGER,                               -- where it begins, or is cut; NULL: not begun
    given INTEGER NOT NULL DEFAULT 0,            -- columns passed over for it so far
    ended TEXT NOT NULL DEFAULT ''               -- how; empty: not yet
);
""",
    7: """
CREATE TABLE left_run (                          -- where this journal stood in each run when it turned to another
    run TEXT PRIMARY KEY,
    next_column INTEGER NOT NULL,                -- first column not accounted for
    perhaps_end INTEGER                          -- end of the columns ordered without an outcome; NULL for none
);
INSERT INTO left_run (run, next_column) SELECT run, max(reached) FROM (
    SELECT run, end_column AS reached FROM burst WHERE laid_at IS NOT NULL
    UNION ALL
    SELECT json_extract(body, '$.run'), max(
        coalesce(json_extract(body, '$.columns.end'), 0),
        coalesce(json_extract(body, '$.gap.unknown_end'), 0),
        iif(json_extract(body, '$.decision.skipped.first') < json_extract(body, '$.decision.skipped.end'),
            json_extract(body, '$.decision.skipped.end'), 0)
    ) FROM entry
    WHERE json_valid(body) AND json_extract(body, '$.kind') IN ('columns-printed', 'gap-settled')
) WHERE run IS NOT NULL AND run IS NOT (SELECT run FROM state) GROUP BY run;

CREATE TABLE told (                              -- entries of earlier epochs that a server has taken
    epoch INTEGER NOT NULL,
    seq INTEGER NOT NULL,
    body TEXT NOT NULL,
    accepted INTEGER NOT NULL DEFAULT 1,
    PRIMARY KEY (epoch, seq)
);
""",
    4: """
CREATE TABLE recovery (                    -- see machines.node.recovering
    only INTEGER PRIMARY KEY CHECK (only = 1),
    shift_s REAL NOT NULL DEFAULT 0,       -- so long has the run's timeline waited
    feed_to INTEGER NOT NULL DEFAULT 0,    -- blank paper is to be fed up to this place
    left_first INTEGER,                    -- columns that are left out when printing comes to them
    left_end INTEGER,
    left_blank INTEGER NOT NULL DEFAULT 0, -- and their places are fed blank
    half_first INTEGER,                    -- the half-printed segment that is being made good
    half_end INTEGER,
    again_end INTEGER,                     -- its columns up to here are laid once more
    closed_only INTEGER NOT NULL DEFAULT 0,
    since REAL,                            -- from when on something was missing, POSIX seconds
    cause TEXT,                            -- of that
    override TEXT                          -- a person's last word that was taken
);
INSERT INTO recovery (only) VALUES (1);
""",
    9: """
CREATE TABLE disarming (id INTEGER PRIMARY KEY AUTOINCREMENT, why TEXT NOT NULL);  -- of the knife, not reported yet
CREATE TABLE interruption (                      -- see machines.node.interruption
    only INTEGER PRIMARY KEY CHECK (only = 1),
    cause TEXT                                   -- why the paper stands still; NULL: nothing stands in the way
);
INSERT INTO interruption (only) VALUES (1);
""",
}
SCHEMA_VERSION = max(_LATER)


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
    hold: str
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
    """

    def __init__(self, connection: sqlite3.Connection, news: News | None = None) -> None:
        self.news = news or News()
        self._connection = connection
        self._state: tuple[tuple[int, int], State] | None = None
        self._lock = threading.RLock()

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """All that is written inside is on the card when the block ends, or none of it."""
        with self._lock:
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield self._connection
                self._connection.execute("COMMIT")
            except BaseException:
                self._undo()
                raise
        self.news.tell()

    def _undo(self) -> None:
        """End a transaction that broke off or could not be committed; what went wrong first is what is told of it."""
        self._state = None  # which may have been read in between
        if not self._connection.in_transaction:  # SQLite has undone it, as it does on a full card
            return
        try:
            self._connection.execute("ROLLBACK")
        except sqlite3.Error:
            log.exception("what was not committed to the journal could not be undone")

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """For reading only: no other thread's transaction is half done in between."""
        with self._lock:
            yield self._connection

    def state(self) -> State:
        """Where the node stands; as it was read last, where nothing was written since."""
        with self._lock:
            return self._state_now()

    def glance(self) -> State | None:
        """Where the node stands; None if another thread is in the middle of a transaction, which may take a while."""
        if not self._lock.acquire(blocking=False):
            return None
        try:
            return self._state_now()
        finally:
            self._lock.release()

    def _state_now(self) -> State:
        """Each step of the print loop asks several times, and seldom is anything else: what this connection has written
        it counts itself, and the file tells of others'."""
        (by_others,) = self._connection.execute("PRAGMA data_version").fetchone()
        written = self._connection.total_changes, by_others
        if self._state is None or self._state[0] != written:
            self._state = written, read_state(self._connection)
        return self._state[1]

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._connection.close()


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
        _check_and_create(connection, path)
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


def _check_and_create(connection: sqlite3.Connection, path: Path) -> None:
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if version > SCHEMA_VERSION:
        raise InputError("home", f"{path} was written by a later version", "install that version again")
    if version == 0:
        connection.executescript(f"BEGIN IMMEDIATE; {_SCHEMA} PRAGMA user_version = 1; COMMIT;")
    for later in sorted(one for one in _LATER if one > version):
        connection.executescript(f"BEGIN IMMEDIATE; {_LATER[later]} PRAGMA user_version = {later}; COMMIT;")
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
