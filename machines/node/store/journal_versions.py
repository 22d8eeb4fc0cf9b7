"""The tables of a journal, version by version: a board is brought up from whatever version its journal has.

What a version adds is never changed once boards have it; a change is a new version. No board is older than the first
release; the step to the second version is there so that tests have boards that are older by one.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path

from machines.errors import InputError

# What each version adds to the one before it; the first makes the journal.
VERSIONS = {
    1: """
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
    work_version INTEGER NOT NULL DEFAULT 0,     -- counts the changes of what is held
    hold TEXT NOT NULL DEFAULT '',               -- see machines.node.store.operator_actions
    roll_place INTEGER NOT NULL DEFAULT 0,       -- place on the paper where the roll began
    blade_cuts INTEGER NOT NULL DEFAULT 0,       -- made with this blade
    taking_over INTEGER NOT NULL DEFAULT 0,      -- another board may have laid what is not told
    perhaps_end INTEGER,                         -- end of the columns that it may have laid; NULL for none
    drops INTEGER NOT NULL DEFAULT 0,            -- fired in pictures since the cartridge was changed
    drops_since REAL,                            -- instant of the first of them, POSIX seconds
    gap_place INTEGER,                           -- where unknown columns begin, if paper was fed by hand since
    time_said INTEGER NOT NULL DEFAULT 0         -- a person set the time, see machines.node.clock.manual_time
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

CREATE TABLE action (                            -- not reported yet
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    name TEXT NOT NULL,
    pattern TEXT,
    paper_position INTEGER,
    paper_columns INTEGER NOT NULL DEFAULT 0,
    seen_done INTEGER NOT NULL DEFAULT 1,
    error_s REAL
);

CREATE TABLE recovery (                    -- see machines.node.store.recovery_state
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

CREATE TABLE track (                             -- of the paper's slip, see machines.model.position
    only INTEGER PRIMARY KEY CHECK (only = 1),
    zero_mm REAL,
    said_mm REAL NOT NULL DEFAULT 0,
    corrected_mm REAL NOT NULL DEFAULT 0
);
INSERT INTO track (only) VALUES (1);

CREATE TABLE handwork (                          -- see machines.node.manual.job
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    action TEXT NOT NULL,
    pattern TEXT,
    length_mm REAL,
    place INTEGER,                               -- where it begins, or is cut; NULL: not begun
    given INTEGER NOT NULL DEFAULT 0,            -- columns of paper used for it so far
    ended TEXT NOT NULL DEFAULT ''               -- how; empty: not yet
);

CREATE TABLE left_run (                          -- where this journal stood in each run when it turned to another
    run TEXT PRIMARY KEY,
    next_column INTEGER NOT NULL,                -- first column not accounted for
    perhaps_end INTEGER                          -- end of the columns ordered without an outcome; NULL for none
);

CREATE TABLE told (                              -- entries of earlier epochs that a server has taken
    epoch INTEGER NOT NULL,
    seq INTEGER NOT NULL,
    body TEXT NOT NULL,
    accepted INTEGER NOT NULL DEFAULT 1,
    PRIMARY KEY (epoch, seq)
);
""",
    2: """
CREATE TABLE disarming (id INTEGER PRIMARY KEY AUTOINCREMENT, why TEXT NOT NULL);  -- of the knife, not reported yet
CREATE TABLE interruption (                      -- see machines.node.work.interruption
    only INTEGER PRIMARY KEY CHECK (only = 1),
    cause TEXT                                   -- why the paper stands still; NULL: nothing stands in the way
);
INSERT INTO interruption (only) VALUES (1);
""",
}
SCHEMA_VERSION = max(VERSIONS)


def bring_up(connection: sqlite3.Connection, path: Path) -> None:
    """Make a journal where there is none, and one of an earlier version one of this. After a power cut in between it is
    of one of the versions on the way, whole.

    Raises:
        InputError: it was written by a later version, and stays as it is.
    """
    (found,) = connection.execute("PRAGMA user_version").fetchone()
    if found > SCHEMA_VERSION:
        raise InputError("home", f"{path} was written by a later version", "install that version again")
    for version in sorted(one for one in VERSIONS if one > found):
        script = f"BEGIN IMMEDIATE; {VERSIONS[version]} PRAGMA user_version = {version}; COMMIT;"
        connection.executescript(script)
