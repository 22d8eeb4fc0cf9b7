"""A board's program beside a model of the server: as in a simulated world, but quicker."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import ClassVar

from machines.clock import Clock
from machines.node.store.journal import Journal
from tests.faults.kinds import WORDS
from tests.simulated.agent import AgentProgram, BoardClock
from tests.simulated.words_watched import WordsWatched
from tests.simulated.world import World


class NoWords(WordsWatched):
    """Where nobody gives one, there is nothing to be watched."""

    def look(self, db: sqlite3.Connection) -> None:
        """Nothing to see."""


@dataclass
class OnceAnInstant:
    """A board's clock, asked once for each instant of the world; what steps it, moves the world on, too."""

    clock: BoardClock
    world: World
    _at: float = -1.0
    _elapsed: float = 0.0

    @property
    def base(self) -> Clock:
        """What it is but for the steps."""
        return self.clock.base

    def now(self) -> float:
        """The board's belief of UTC."""
        return self.clock.now()

    def elapsed(self) -> float:
        """Elapsed seconds of this boot."""
        if self.world.now != self._at:
            self._at, self._elapsed = self.world.now, self.clock.elapsed()
        return self._elapsed

    def real_s(self, seconds: float) -> float:
        """As the clock's."""
        return self.clock.real_s(seconds)


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
        journal._connection.execute("PRAGMA synchronous = OFF")
        return journal

    def clock(self) -> BoardClock:
        """The board's own."""
        return OnceAnInstant(super().clock(), self.world)
