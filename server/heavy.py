"""Answers that cost much: a few are made at a time, and what was made is kept by what it depends on.

Many of them need no account, so whoever reaches the server can ask for them as fast as a line carries questions. What
is asked for again is not made again, and of what is new only so much is made at a time that the rest of the server goes
on; whoever comes beyond that is told to come again. Who waits for a turn holds a thread, as who makes something does,
so all of them together are fewer than the threads that answer.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import wraps
from typing import ParamSpec, TypeVar

from machines.errors import DayrollError

# One computer's worth of them; more at a time are no faster, as Python computes one at a time.
MOST_AT_ONCE = 2
MOST_WAITING = 4
# One for what is costly, and one that is left for what is light.
LEAST_THREADS = 2
PATIENCE_S = 10.0
COME_AGAIN_AFTER_S = 10
LARGEST_KEPT_BYTES = 32_000_000

Arguments = ParamSpec("Arguments")
Made = TypeVar("Made")


class Busy(DayrollError):
    """As much is being made as may be; ``wait_s`` is when to come again, seconds."""

    def __init__(self) -> None:
        super().__init__("as many costly answers are being made as may be at a time", "come again")
        self.wait_s = COME_AGAIN_AFTER_S


@dataclass
class Room:
    """How many threads may be taken by costly answers of every kind, by those that are made and those that wait."""

    most: int = MOST_AT_ONCE + MOST_WAITING
    taken: int = 0
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def within(self, threads: int) -> None:
        """Of so many threads that answer leave one for what is light.

        Raises:
            ValueError: there are too few.
        """
        if threads < LEAST_THREADS:
            raise ValueError(f"{threads} threads, where costly answers and light ones need {LEAST_THREADS}")
        self.most = min(MOST_AT_ONCE + MOST_WAITING, threads - 1)

    @contextmanager
    def place(self) -> Iterator[None]:
        """Take a thread.

        Raises:
            Busy: none may be taken.
        """
        with self._lock:
            if self.taken >= self.most:
                raise Busy
            self.taken += 1
        try:
            yield
        finally:
            with self._lock:
                self.taken -= 1


@dataclass
class Turns:
    """So many at once; the others wait a little for their turn, as far as there is room."""

    at_once: int = MOST_AT_ONCE
    room: Room = field(default_factory=Room)
    patience_s: float = PATIENCE_S
    _free: threading.Semaphore = field(init=False)

    def __post_init__(self) -> None:
        self._free = threading.Semaphore(self.at_once)

    @contextmanager
    def turn(self) -> Iterator[None]:
        """Make something costly.

        Raises:
            Busy: too many are before us, or it took too long until it was our turn.
        """
        with self.room.place():
            if not self._free.acquire(timeout=self.patience_s):
                raise Busy
            try:
                yield
            finally:
                self._free.release()


@dataclass
class AnswerCache:
    """What was made, by what it depends on; the least used goes first when it is more than ``most_bytes``."""

    turns: Turns
    most_bytes: int = LARGEST_KEPT_BYTES
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _made: OrderedDict[Hashable, bytes] = field(default_factory=OrderedDict)

    def get(self, depends_on: Hashable, make: Callable[[], bytes]) -> bytes:
        """What was made of the same before, or what is made now.

        Raises:
            Busy: it has to be made, and too much is being made.
        """
        found = self._find(depends_on)
        if found is not None:
            return found
        with self.turns.turn():
            found = self._find(depends_on)  # by whoever was before us
            if found is not None:
                return found
            made = make()
            with self._lock:  # before somebody else has the turn, who may have waited for the same
                self._made[depends_on] = made
                while sum(map(len, self._made.values())) > self.most_bytes:
                    self._made.popitem(last=False)
            return made

    def forget(self) -> None:
        """Keep nothing of what was made."""
        with self._lock:
            self._made.clear()

    def _find(self, depends_on: Hashable) -> bytes | None:
        with self._lock:
            if depends_on in self._made:
                self._made.move_to_end(depends_on)
            return self._made.get(depends_on)


ROOM = Room()
TURNS = Turns(room=ROOM)
ANSWERS = AnswerCache(TURNS)


def in_turn(make: Callable[Arguments, Made]) -> Callable[Arguments, Made]:
    """A function that is costly: it waits for its turn, and raises Busy where there are too many."""

    @wraps(make)
    def made(*args: Arguments.args, **kwargs: Arguments.kwargs) -> Made:
        with TURNS.turn():
            return make(*args, **kwargs)

    return made
