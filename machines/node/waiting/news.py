"""Waiting for an instant or for news: whoever changed something tells, and who waits looks at once.

The journal tells after each commit (`journal.py`), the exchange of its passes (`asked.py`), and the bell of what other
processes wrote (`bell.py`). Nothing is said but that something is new; what it is, stands in the journal.

    look how often was told --> look whether there is something to do --> wait from there on
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

# Whatever was not told, for whatever reason, is seen after so long all the same; real seconds.
LONGEST_S = 5.0


class News:
    """How often was told that something is new. Any thread may tell, and any may wait; no signal handler may.

    Attributes:
        longest_s: real seconds after which who waits looks all the same; fewer where not everybody can tell.
    """

    def __init__(self) -> None:
        self.longest_s = LONGEST_S
        self._told = 0
        self._changed = threading.Condition()

    @property
    def told(self) -> int:
        """How often so far."""
        return self._told

    def tell(self) -> None:
        """Something is new."""
        with self._changed:
            self._told += 1
            self._changed.notify_all()

    def wait(self, told: int, real_s: float) -> None:
        """Wait until it was told once more, or for so many real seconds; not for ever in any case.

        Args:
            told: how often it was when whoever waits began to look: what is told while it looks is not missed.
            real_s: not at all, if it is not above 0.
        """
        with self._changed:
            self._changed.wait_for(lambda: self._told != told, min(real_s, self.longest_s))

    def until(self, holds: Callable[[], bool], limit_s: float, look_s: float) -> bool:
        """Wait until something holds.

        Args:
            holds: whether it does.
            limit_s: for how long at most, real seconds.
            look_s: how often to look where no news come, real seconds.

        Returns:
            whether it does.
        """
        ends_s = self._now() + limit_s
        while True:
            told = self.told
            if holds():
                return True
            left_s = ends_s - self._now()
            if left_s <= 0:
                return False
            self.wait(told, min(look_s, left_s))

    def _now(self) -> float:
        return time.monotonic()
