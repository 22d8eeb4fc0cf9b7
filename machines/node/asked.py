"""Whether the server was asked for work since something had to be settled: a person's word may lie there.

The exchange counts its passes, the print loop waits for the end of one that begins after it saw the gap. Whether that
pass came through does not matter: a board that is alone goes on alone.

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


class AskedForWork:
    """Passes of the exchange, counted by it and awaited by the print loop, each in its own thread."""

    def __init__(self, elapsed: Callable[[], float], real: Callable[[], float] = time.monotonic) -> None:
        """``elapsed`` counts the clock's seconds, ``real`` real ones."""
        self._elapsed, self._real = elapsed, real
        self._begun = self._ended = 0
        self._since: tuple[int, float, float] | None = None

    @property
    def is_wanted(self) -> bool:
        """Whether the print loop waits for a pass that has not begun."""
        since = self._since
        return since is not None and self._begun < since[0]

    def begin(self) -> None:
        """A pass begins."""
        self._begun += 1

    def end(self) -> None:
        """It is over, whatever came of it."""
        self._ended = self._begun

    def is_awaited(self) -> bool:
        """Whether to wait (on) for a pass, the first time on from now; until it has ended, or the limit is reached."""
        if self._since is None:
            self._since = (self._begun + 1, self._elapsed(), self._real())
        wanted, elapsed_s, real_s = self._since
        if self._ended >= wanted:
            return False
        return self._elapsed() - elapsed_s < WAIT_LIMIT_S or self._real() - real_s < WAIT_LEAST_REAL_S

    def forget(self) -> None:
        """There is nothing to wait for any more."""
        self._since = None
