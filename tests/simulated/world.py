"""Virtual time in one thread: what would be processes and threads are greenlets, and time moves from event to event."""

from __future__ import annotations

import heapq
import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from greenlet import getcurrent, greenlet

from machines.node.waiting.news import News

# Nobody waits for less than this, so that time moves on whatever happens; seconds.
LEAST_WAIT_S = 0.001


class Crash(BaseException):
    """The power goes, or the process is killed. Nothing in the program catches it."""


@dataclass(order=True)
class Event:
    """Something that happens at an instant; those of one instant in the order in which they were said.

    Attributes:
        at: virtual seconds.
        do: what; None for what was called off.
    """

    at: float
    number: int
    do: Callable[[], None] | None = field(compare=False)


class Fuse:
    """Burns at each place where the power may go: before and after every commit, order and cut.

    Attributes:
        left: how many more are passed before it goes; None for never.
    """

    def __init__(self) -> None:
        self.left: int | None = None

    def burn(self) -> None:
        """Here the power may go.

        Raises:
            Crash: it does.
        """
        if self.left is None:
            return
        self.left -= 1
        if self.left < 0:
            self.left = None
            raise Crash


class World:
    """Virtual time, and what happens in it.

    Attributes:
        now: POSIX seconds.
    """

    def __init__(self, now: float) -> None:
        self.began = self.now = now
        self._hub = getcurrent()
        self._heap: list[Event] = []
        self._number = itertools.count()
        self._next_start = now

    def at(self, instant: float, do: Callable[[], None]) -> Event:
        """Have something happen at an instant, or now if that has passed."""
        event = Event(max(instant, self.now), next(self._number), do)
        heapq.heappush(self._heap, event)
        return event

    def run(self, until: float, done: Callable[[], bool] = lambda: False) -> None:
        """Let happen what comes until an instant, or until something is so."""
        while self._heap and self._heap[0].at <= until and not done():
            event = heapq.heappop(self._heap)
            if event.do is not None:
                self.now = max(self.now, event.at)
                event.do()
        if not done():
            self.now = max(self.now, until)

    def next_start(self) -> float:
        """When a program starts that is started now. Two never do in one instant: a board and its copy would tell the
        same to the last digit, so that nobody could tell them apart; no two boards outside do that."""
        starts = max(self.now, self._next_start)
        self._next_start = starts + LEAST_WAIT_S
        return starts

    def wait(self, seconds: float) -> None:
        """Time passes for whoever calls, and nothing wakes it earlier."""
        task = current_task()
        if task is None:
            self.run(self.now + seconds)
        else:
            task.sleep(seconds)


class Task:
    """A thread of a process, as a greenlet. It ends by itself, by an exception, or with its process.

    Attributes:
        is_over: whether it has ended.
        program: of the board that it belongs to; None for no board's.
    """

    def __init__(
        self,
        world: World,
        body: Callable[[], None],
        ended: Callable[[BaseException | None], None],
        begins: float | None = None,
    ) -> None:
        """``ended`` is told what ended it, None for its own end; ``begins`` is the instant, None for now."""
        self.is_over = False
        self.program: Any = None
        self._world, self._ended = world, ended
        self._asleep: Event | None = None
        self._wakes = self._has_begun = False
        self._greenlet = greenlet(lambda: _outcome(body))
        self._greenlet.task = self
        world.at(world.now if begins is None else begins, self._go_on)

    def sleep(self, seconds: float, *, wakes: bool = False) -> None:
        """Called by the task itself: go on after so many virtual seconds, or when it is woken, where that may be."""
        self._wakes = wakes
        self._asleep = (
            None if seconds == math.inf else self._world.at(self._world.now + max(seconds, LEAST_WAIT_S), self._wake)
        )
        self._world._hub.switch()

    def wake(self) -> None:
        """It may look at once whether there is something new."""
        if self._wakes and not self.is_over:
            if self._asleep is not None:
                self._asleep.do = None
            self._wakes, self._asleep = False, self._world.at(self._world.now, self._wake)

    def kill(self) -> None:
        """End it where it stands."""
        if self.is_over:
            return
        if self._asleep is not None:
            self._asleep.do = None
        self._ended = lambda error: None
        if not self._has_begun:
            self.is_over = True
            return
        self._switch(Crash)
        assert self.is_over, "nothing catches a crash"

    def _wake(self) -> None:
        self._asleep, self._wakes = None, False
        self._go_on()

    def _go_on(self) -> None:
        if not self.is_over:
            self._switch()

    def _switch(self, *thrown: type[BaseException]) -> None:
        self._greenlet.parent = getcurrent()
        self._has_begun = True
        said = self._greenlet.throw(*thrown) if thrown else self._greenlet.switch()
        if self._greenlet.dead and not self.is_over:
            self.is_over = True
            self._ended(said)


def _outcome(body: Callable[[], None]) -> BaseException | None:
    try:
        body()
    except BaseException as error:  # noqa: BLE001 - whatever it is, whoever made the task is told
        return error
    return None


def current_task() -> Task | None:
    """Which runs now; None where none does."""
    found: Task | None = getattr(getcurrent(), "task", None)
    return found


class VirtualNews(News):
    """The news of a process in a world: who waits for them is woken by nothing but news and its instant."""

    def __init__(self, world: World) -> None:
        super().__init__()
        self._world = world
        self._waiting: list[Task] = []

    def tell(self) -> None:
        """Whoever waits looks at once."""
        self._told += 1
        for task in self._waiting:
            task.wake()

    def wait(self, told: int, real_s: float) -> None:
        """Wait in virtual time."""
        if self._told != told or real_s <= 0:
            return
        task = current_task()
        assert task is not None, "only a task waits"
        self._waiting.append(task)
        try:
            task.sleep(real_s, wakes=True)
        finally:
            self._waiting.remove(task)

    def _now(self) -> float:
        return self._world.now


@dataclass(frozen=True)
class VirtualClock:
    """The true clock."""

    world: World = field(repr=False)

    def now(self) -> float:
        """UTC, POSIX seconds."""
        return self.world.now

    def elapsed(self) -> float:
        """Seconds since the world began."""
        return self.world.now - self.world.began

    def real_s(self, seconds: float) -> float:
        """A virtual second takes one: who waits for news does so in virtual time."""
        return seconds
