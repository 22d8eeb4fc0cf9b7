"""A board's program beside a model of the server: as in a simulated world, but quicker."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import ClassVar

from machines.node.store.journal import Journal
from tests.faults.kinds import WORDS
from tests.simulated.agent import AgentProgram
from tests.simulated.words_watched import WordsWatched


class NoWords(WordsWatched):
    """Where nobody gives one, there is nothing to be watched."""

    def look(self, db: sqlite3.Connection) -> None:
        """Nothing to see."""


@dataclass
class ModelledAgent(AgentProgram):
    """As the program that it is, in a shorter time."""

    killed_within_s: ClassVar[float] = 400.0
    most_places: ClassVar[int] = 20

    def __post_init__(self) -> None:
        super().__post_init__()
        if not self.scenario.kinds & set(WORDS):
            self.words = NoWords()

    def _opened(self) -> Journal:
        """In memory there is nothing to be synced."""
        journal = super()._opened()
        journal.connection.execute("PRAGMA synchronous = OFF")
        return journal
