"""Threads of their own for nodes: no storm on the pages keeps a board from the time, its work or its reports.

In each lane requests wait a few seconds at most. Whoever cannot be answered in that time is told at once to come again,
by the thread that reads what comes in, which takes no other: so a lane that is full, or whose threads all hang, costs
who comes next a moment, and those who wait are not so many that the last is answered when nobody listens any more.

    comes in --> as many wait as are answered in PATIENCE_S? --yes--> told to come again
                                  | no
                                  v
                 waits --> longer than PATIENCE_S? --yes--> told to come again
                                  | no
                                  v
                               a thread
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Any

from waitress.task import ThreadedTaskDispatcher

# What a field node asks for.
NODES_PATHS = ("/api/v1/node/", "/api/v1/plates/")
# So long a request waits for a thread at most, seconds: a person still looks, and a board waits for 20.
PATIENCE_S = 5.0
# How much the newest answer counts in the mean time of one: some thirty of them make it.
NEWEST_COUNTS = 1.0 / 32.0


class Waiting:
    """A connection that waits in a lane for a thread."""

    def __init__(self, channel: Any, lane: Lane) -> None:
        self.channel, self.lane = channel, lane
        self.since_s = lane.now_s()

    def service(self) -> None:
        """Answer it, in a thread, and note how long that took."""
        with self.lane.lock:
            self.lane.at_it += 1
        began_s = self.lane.now_s()
        try:
            self.channel.service()
        finally:
            with self.lane.lock:
                self.lane.at_it -= 1
            self.lane.note(self.lane.now_s() - began_s)

    def cancel(self) -> None:
        """The server stops."""
        self.channel.cancel()


class Lane(ThreadedTaskDispatcher):
    """A queue of requests with its threads.

    Attributes:
        now_s: seconds that pass, as the monotonic clock has them.
        an_answer_s: how long a thread is at an answer, in the mean of the last.
        at_it: how many threads are at one.
    """

    def __init__(self, threads: int, now_s: Callable[[], float] = time.monotonic) -> None:
        super().__init__()
        self.now_s = now_s
        self.an_answer_s = 0.0
        self.at_it = 0
        self._threads = threads
        self.set_thread_count(threads)

    def note(self, took_s: float) -> None:
        """An answer took so long. One that takes for ever says no more than one that takes too long."""
        self.an_answer_s += NEWEST_COUNTS * (min(took_s, PATIENCE_S) - self.an_answer_s)

    def take(self, channel: Any) -> bool:
        """Let a connection wait; False where as many wait already as are answered while one waits."""
        for_long = len(self.queue) + self.at_it - self._threads  # a thread that is free takes one in a moment
        if for_long > 0 and for_long * self.an_answer_s >= PATIENCE_S * self._threads:
            return False
        self.add_task(Waiting(channel, self))
        return True

    def late(self) -> list[Any]:
        """Those that have waited for too long, which wait no longer."""
        found = []
        with self.lock:
            while self.queue and self.now_s() - self.queue[0].since_s > PATIENCE_S:
                found.append(self.queue.popleft().channel)
        return found


class Lanes:
    """Two queues of requests, each with its own threads.

    It takes the place of the HTTP server's one dispatcher, and is called as that is.
    """

    def __init__(self, threads: int, nodes_threads: int) -> None:
        self.pages, self.nodes = Lane(threads), Lane(nodes_threads)
        # Whoever adds may hold a lock of the connection, so it is answered in the next round of what reads.
        self._too_many: deque[Any] = deque()
        self._lock = threading.Lock()

    def add_task(self, channel: Any) -> None:
        """Put a connection whose first request is whole in its queue."""
        path = getattr(channel.requests[0], "path", "")  # a request that could not be read has none
        lane = self.nodes if path.startswith(NODES_PATHS) else self.pages
        if not lane.take(channel):
            self._too_many.append(channel)

    def refused(self) -> list[Any]:
        """Connections whose request nobody will answer in time: each is to be told so, once. Asked for in each round,
        by the thread that reads."""
        with self._lock:
            found = [self._too_many.popleft() for _ in range(len(self._too_many))]
        return found + self.pages.late() + self.nodes.late()

    def shutdown(self) -> None:
        """Let what is being answered be answered, nodes' requests last."""
        self.pages.shutdown()
        self.nodes.shutdown()
