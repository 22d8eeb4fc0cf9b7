"""What the journal keeps of the paper's slip."""

from __future__ import annotations

import sqlite3
from dataclasses import replace

from machines.model.position import SlipState


def read_track(db: sqlite3.Connection) -> SlipState:
    """What the journal knows of the paper's slip."""
    zero_mm, said_mm, corrected_mm = db.execute("SELECT zero_mm, said_mm, corrected_mm FROM track").fetchone()
    return SlipState(zero_mm=zero_mm, said_mm=said_mm, corrected_mm=corrected_mm)


def keep_track(db: sqlite3.Connection, track: SlipState) -> None:
    """Write it down."""
    db.execute("UPDATE track SET zero_mm = :zero_mm, said_mm = :said_mm, corrected_mm = :corrected_mm", vars(track))


def begin_anew(db: sqlite3.Connection) -> None:
    """Another roll, or another run: wherever the paper is found next, there it belongs."""
    keep_track(db, replace(read_track(db), zero_mm=None))
