"""What the journal keeps of who this board is: the credentials of its enrolment, and the PIN of its panel."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from machines.node.store.documents import get_document, put_document


@dataclass(frozen=True, kw_only=True)
class Credentials:
    """What enrolment gave.

    Attributes:
        server: its address, without a path.
        token: secret, goes with each call.
        machine: which one this node prints on.
        epoch: of the credentials; the server refuses reports with an older one.
        paper_position: columns of paper that the server then knew to be fed, for a machine that does not remember.
    """

    server: str
    token: str
    machine: str
    epoch: int
    paper_position: int = 0


def keep_credentials(db: sqlite3.Connection, new: Credentials) -> None:
    """Keep what enrolment gave; what is held is asked for anew."""
    put_document(db, "credentials", new)
    db.execute("DELETE FROM document WHERE name = 'etag'")


def credentials(db: sqlite3.Connection) -> Credentials | None:
    """What enrolment gave; None before it."""
    return get_document(db, "credentials", Credentials)


@dataclass(frozen=True, kw_only=True)
class Pin:
    """What is kept of the panel's PIN: a slow hash and its salt, both in hexadecimal, and how many wrong guesses are
    not forgotten."""

    salt: str
    hash: str
    failures: int = 0


def keep_pin(db: sqlite3.Connection, kept: Pin) -> None:
    """Keep the PIN of the panel."""
    put_document(db, "pin", kept)


def pin(db: sqlite3.Connection) -> Pin | None:
    """The PIN of the panel; None if none was set."""
    return get_document(db, "pin", Pin)
