"""What a board does with the words of persons that it holds, looked at after each commit of its journal."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass, field
from typing import Any

from machines.serialization import parse_instant


@dataclass
class WordsWatched:
    """What a board does with the words that it holds, looked at after every commit of its journal.

    Attributes:
        complaints: in words.
    """

    complaints: list[str] = field(default_factory=list)
    _held: dict[str, Any] | None = None
    _taken: set[str] = field(default_factory=set)
    _last: int = 0

    def look(self, db: sqlite3.Connection) -> None:
        """Whatever was settled in the newest commit was settled by the word that was held before it, if that was about
        it: given while something was missing, and not taken before."""
        last, word = db.execute(
            "SELECT (SELECT coalesce(max(seq), 0) FROM entry),"
            " (SELECT json_extract(body, '$.override') FROM document WHERE name = 'work')"
        ).fetchone()
        if last > self._last:
            for (body,) in db.execute("SELECT body FROM entry WHERE seq > ? ORDER BY seq", (self._last,)):
                if '"gap-settled"' in body:
                    self._judge(json.loads(body))
        self._last = last
        self._held = None if word is None else json.loads(word)

    def _judge(self, told: dict[str, Any]) -> None:
        gap = told["gap"]
        if gap["override"] is not None:
            self._taken.add(gap["override"]["id"])
            return
        held, since = self._held, gap["missing_since"]
        if held is None or since is None or held["id"] in self._taken:
            return
        if parse_instant(since) <= parse_instant(held["given_at"]) <= parse_instant(gap["noticed_at"]):
            self.complaints.append(f"the board held the word {held['id']} and settled otherwise at {gap['noticed_at']}")
