"""The knife follows the paper: where the boundaries of strips lie, and when each stands under the blade.

place of boundary        place + knife_columns
      |                          |
------+--------------------------+------>  columns of paper fed
      laid here                  under the knife when so many are fed
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Strip:
    """The end of a strip on its way to the knife.

    Attributes:
        run: of the boundary.
        boundary: first running column of the strip after it.
        place: where that column, or the first laid after it, lies on the paper.
        ordered: the cut was ordered, and nobody saw it done.
    """

    run: str
    boundary: int
    place: int
    ordered: bool = False


def note(db: sqlite3.Connection, run: str, place_of: dict[int, int]) -> None:
    """Remember boundaries whose place on the paper is known now: running column to place."""
    rows = [(run, boundary, place) for boundary, place in place_of.items()]
    db.executemany("INSERT OR IGNORE INTO strip (run, boundary, place) VALUES (?, ?, ?)", rows)


def pending(db: sqlite3.Connection) -> list[Strip]:
    """All that have not come to the knife, in the order in which they will."""
    rows = db.execute("SELECT run, boundary, place, state FROM strip ORDER BY place, rowid").fetchall()
    return [Strip(run=r, boundary=b, place=p, ordered=state == "ordered") for r, b, p, state in rows]


def order(db: sqlite3.Connection, strips: list[Strip]) -> None:
    """The knife is about to be told."""
    db.executemany("UPDATE strip SET state = 'ordered' WHERE run = ? AND boundary = ?", _keys(strips))


def done(db: sqlite3.Connection, strips: list[Strip]) -> None:
    """They have passed the knife, cut or not."""
    db.executemany("DELETE FROM strip WHERE run = ? AND boundary = ?", _keys(strips))


def _keys(strips: list[Strip]) -> list[tuple[str, int]]:
    return [(strip.run, strip.boundary) for strip in strips]
