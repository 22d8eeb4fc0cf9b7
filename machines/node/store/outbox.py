"""Entries of the journal on their way to the server: numbered without holes, kept until accepted, and after."""

from __future__ import annotations

import json
import sqlite3
from typing import Any

from machines.node.store.telling import as_told
from machines.protocol.journal_entries import Entry
from machines.protocol.messages import JournalPosition, Retelling
from machines.protocol.upcasts import entry_json
from machines.serialization import parse_instant, structure_lenient, unstructure

_RETELLING = "told-again"


def next_seq(db: sqlite3.Connection) -> int:
    """The sequence number of the entry to be added next."""
    (seq,) = db.execute("SELECT coalesce(max(seq), 0) + 1 FROM entry").fetchone()
    return int(seq)


def append(db: sqlite3.Connection, entry: Entry) -> None:
    """Add an entry, in the transaction of the change that it reports, so that neither is ever without the other."""
    db.execute("INSERT INTO entry (seq, body) VALUES (?, ?)", (entry.seq, json.dumps(entry_json(entry))))


def unaccepted(db: sqlite3.Connection, limit: int) -> tuple[dict[str, Any], ...]:
    """The oldest entries that the server has not accepted, in order, as JSON values that it is told."""
    rows = db.execute("SELECT seq, body FROM entry WHERE NOT accepted ORDER BY seq LIMIT ?", (limit,)).fetchall()
    return tuple(as_told(seq, body) for seq, body in rows)


def count_unaccepted(db: sqlite3.Connection) -> int:
    """How many entries the server has not accepted."""
    (count,) = db.execute("SELECT count(*) FROM entry WHERE NOT accepted").fetchone()
    return int(count)


def accept(db: sqlite3.Connection, through: int) -> None:
    """The server has everything up to this sequence number."""
    db.execute("UPDATE entry SET accepted = 1 WHERE seq <= ? AND NOT accepted", (through,))
    under_way = retelling(db)
    if under_way is not None and under_way.through <= through:
        db.execute("DELETE FROM document WHERE name = ?", (_RETELLING,))


def rewind(db: sqlite3.Connection, expected: int) -> int:
    """The server lacks what it once accepted, after a restore for one: send again from this number on.

    Returns:
        how many entries are sent again.
    """
    (last,) = db.execute("SELECT max(seq) FROM entry WHERE seq >= ? AND accepted", (expected,)).fetchone()
    if last is None:
        return 0
    first, under_way = max(1, expected), retelling(db)
    if under_way is not None:  # of which the server may have lost what it got
        first, last = min(first, under_way.first), max(last, under_way.through)
    _keep_retelling(db, Retelling(first=first, through=last))
    return db.execute("UPDATE entry SET accepted = 0 WHERE seq >= ? AND accepted", (expected,)).rowcount


def retelling(db: sqlite3.Connection) -> Retelling | None:
    """What is sent again, until the server has all of it; None for nothing."""
    row = db.execute("SELECT body FROM document WHERE name = ?", (_RETELLING,)).fetchone()
    return None if row is None else structure_lenient(json.loads(row[0]), Retelling)


def _keep_retelling(db: sqlite3.Connection, under_way: Retelling) -> None:
    body = json.dumps(unstructure(under_way))
    db.execute("INSERT OR REPLACE INTO document (name, body) VALUES (?, ?)", (_RETELLING, body))


def wrote(db: sqlite3.Connection, taken: JournalPosition, epoch: int) -> bool:
    """Whether the last entry that the server took of an epoch is this journal's, which is of an epoch itself and keeps
    what it told in earlier ones."""
    row = db.execute(
        "SELECT body FROM (SELECT ? AS epoch, seq, body FROM entry UNION ALL SELECT epoch, seq, body FROM told)"
        " WHERE epoch = ? AND seq = ?",
        (epoch, taken.epoch, taken.through),
    ).fetchone()
    return row is not None and parse_instant(as_told(taken.through, row[0])["at"]) == taken.at


def renumber(db: sqlite3.Connection, epoch: int, had: tuple[int, int] | None) -> None:
    """A new epoch's journal begins at 1. What the server has is put by, and kept: a server that is put back from an
    older copy later on is told it once more. The rest moves up, in its order, whenever it was told before.

    Args:
        db: the journal.
        epoch: that ends.
        had: epoch and number of the last entry that the server has; None to go by what was accepted.
    """
    under_way = retelling(db)
    was_told = 0 if under_way is None else under_way.through
    db.execute("INSERT INTO told (epoch, seq, body, accepted) SELECT ?, seq, body, accepted FROM entry", (epoch,))
    db.execute("DELETE FROM entry")
    db.execute("DELETE FROM document WHERE name = ?", (_RETELLING,))
    if had is not None:
        (lost,) = db.execute(
            "SELECT count(*) FROM told WHERE (accepted OR (epoch = ? AND seq <= ?)) AND (epoch, seq) > (?, ?)",
            (epoch, was_told, *had),
        ).fetchone()
        if lost:  # these come before whatever nobody has taken yet
            _keep_retelling(db, Retelling(first=1, through=lost))
        db.execute("UPDATE told SET accepted = (epoch, seq) <= (?, ?)", had)
    rows = db.execute("SELECT body FROM told WHERE NOT accepted ORDER BY epoch, seq").fetchall()
    for number, (body,) in enumerate(rows, 1):
        db.execute("INSERT INTO entry (seq, body) VALUES (?, ?)", (number, _moved(body, number)))
    db.execute("DELETE FROM told WHERE NOT accepted")


def _moved(body: Any, seq: int) -> Any:
    """An entry under another number; one that is spoilt goes on as it is, as the number beside it counts."""
    try:
        return json.dumps(json.loads(body) | {"seq": seq})
    except (ValueError, TypeError, RecursionError):
        return body
