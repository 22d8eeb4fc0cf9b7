"""Documents of the journal: small things that are kept as JSON, by name."""

from __future__ import annotations

import json
import sqlite3
from functools import lru_cache
from typing import Any, TypeVar

from machines.serialization import structure_lenient, unstructure

T = TypeVar("T")


# Texts of the journal that are not read again while they stay the same: documents, and as many segments as a day has.
TEXTS_KEPT = 128


def put_document(db: sqlite3.Connection, name: str, value: Any) -> None:
    """Keep a thing under a name, in place of what was there."""
    db.execute("INSERT OR REPLACE INTO document (name, body) VALUES (?, ?)", (name, json.dumps(unstructure(value))))


def get_document(db: sqlite3.Connection, name: str, cls: type[T]) -> T | None:
    """What is kept under a name; None for nothing."""
    row = db.execute("SELECT body FROM document WHERE name = ?", (name,)).fetchone()
    return None if row is None else read_document(row[0], cls)  # type: ignore[arg-type]  # a class is hashable, whatever its rows are


@lru_cache(maxsize=TEXTS_KEPT)
def read_document(body: str, cls: Any) -> Any:
    """What a text says. The same is asked for with every pass and every status, and nobody changes what it gives."""
    return structure_lenient(json.loads(body), cls)
