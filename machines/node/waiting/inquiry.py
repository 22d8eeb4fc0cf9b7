"""Whether the server was asked for work since something had to be settled: a person's word may lie there.

The exchange counts its passes, the print loop waits for one that begins after it saw the gap and in which the server
said what work there is. A board that just came back may need some tries for that, as its network comes back with it;
one whose server has been out of reach for longer than it would wait has known enough after one try more.

    print loop:      gap seen, wait                         settle
    exchange:   ...........| woken: pass begins ... work ... ends |
"""

from __future__ import annotations

import time
from collections.abc import Callable

# So long a gap waits for the server at most, the clock's seconds. A network that hangs keeps nobody from printing.
WAIT_LIMIT_S = 30.0
# But not less than this, real seconds: under a clock that runs faster, the limit is too short for any answer.
WAIT_LEAST_REAL_S = 1.0

# By the clock and in real seconds.
_Instant = tuple[float, float]


class WorkInquiry:
    """Passes of the exchange, counted by it and awaited by the print loop, each in its own thread."""

    def __init__(
        self,
        elapsed: Callable[[], float],
        real: Callable[[], float] = time.monotonic,
        tell: Callable[[], None] = lambda: None,
    ) -> None:
        """``elapsed`` counts the clock's seconds, ``real`` real ones; ``tell`` has either thread look what is new."""
        self._elapsed, self._real, self._tell = elapsed, real, tell
        self._begun = self._ended = 0
        self._answered = self._has_news = False
        self._since: tuple[int, _Instant] | None = None
        self._out_since: _Instant | None = None

    @property
    def is_wanted(self) -> bool:
        """Whether the print loop waits for a pass that has not begun, or has news for one."""
        since = self._since
        return self._has_news or (since is not None and self._begun < since[0])

    @property
    def is_open(self) -> bool:
        """Whether the print loop waits for what the server says."""
        return self._since is not None

    def begin(self) -> None:
        """A pass begins."""
        self._begun += 1
        self._answered = self._has_news = False

    def tell(self) -> None:
        """Something was written down that people elsewhere should know at once."""
        self._has_news = True
        self._tell()

    def answer(self) -> None:
        """In this pass the server said what work there is."""
        self._answered = True

    def end(self) -> None:
        """It is over. One without an answer counts only where the server is known to be out of reach."""
        if self._answered:
            self._out_since = None
        elif self._out_since is None:
            self._out_since = self._now()
        if self._out_since is None or self._is_long_ago(self._out_since):
            self._ended = self._begun
            self._tell()

    def is_awaited(self) -> bool:
        """Whether to wait (on) for a pass, the first time on from now; until one has ended, or the limit is reached."""
        if self._since is None:
            self._since = (self._begun + 1, self._now())
            self._tell()
        wanted, began = self._since
        return self._ended < wanted and not self._is_long_ago(began)

    def forget(self) -> None:
        """There is nothing to wait for any more."""
        self._since = None

    def _now(self) -> _Instant:
        return self._elapsed(), self._real()

    def _is_long_ago(self, then: _Instant) -> bool:
        elapsed_s, real_s = then
        return self._elapsed() - elapsed_s >= WAIT_LIMIT_S and self._real() - real_s >= WAIT_LEAST_REAL_S
