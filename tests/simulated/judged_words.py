"""What only a world that sees everything can judge of a person's word: that a board which held it followed it, and that
one which could hear it did not pass it over."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass, field
from typing import Any

from machines.structure import parse_instant
from tests.faults.kinds import WORDS
from tests.faults.scenario import Fault, Scenario
from tests.faults.stage import Stage

# So long after a word nothing else may be wrong, hours.
APART_H = 0.5
# These keep no word from being heard.
NOT_IN_THE_WAY = ("clock-step", "reports-newer", "reports-duplicated", "machine-jammed")


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
        (last,) = db.execute("SELECT coalesce(max(seq), 0) FROM entry").fetchone()
        for (body,) in db.execute("SELECT body FROM entry WHERE seq > ? ORDER BY seq", (min(self._last, last),)):
            if '"gap-settled"' in body:
                self._judge(json.loads(body))
        self._last = last
        row = db.execute("SELECT json_extract(body, '$.override') FROM document WHERE name = 'work'").fetchone()
        self._held = None if row is None or row[0] is None else json.loads(row[0])

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


def words_not_followed(stage: Stage) -> list[str]:
    """Of all boards of a scenario."""
    boards = [board for one in stage.together for board in (*one.boards, *one.clones)]
    return [complaint for board in boards for complaint in board.child.words.complaints]


def words_in_vain(stage: Stage) -> list[str]:
    """A word that was given while nothing else was wrong reaches the board in time, and settles what it is about."""
    scenario = stage.scenario
    silences = (fault for fault in scenario.faults if fault.kind == "word-in-silence")
    if scenario.neighbours or not any(can_be_heard(fault, scenario) for fault in silences):
        return []
    words = [stage.lane.studio.get(f"overrides/{word}") for word in stage.words]
    return [f"the word {word['id']} could be heard, and was passed over" for word in words if word["used_by"] is None]


def can_be_heard(word: Fault, scenario: Scenario) -> bool:
    """Whether nothing comes between the server and a board that has its power back, and knows what time it is."""
    ends_h = word.at_h + word.lasts_h + APART_H
    others = [fault for fault in scenario.faults if fault.kind not in {*WORDS, *NOT_IN_THE_WAY}]
    return all(fault.at_h + fault.lasts_h < word.at_h or ends_h < fault.at_h for fault in others)
