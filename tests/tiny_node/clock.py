"""The server's time, as far as a node can know it."""

from __future__ import annotations

from collections.abc import Callable

# How far a crystal may be off, and how many answers are looked at.
DRIFT = 100e-6
SAMPLES = 8


class ServerClock:
    """What answers said of the server's clock, by seconds that nobody sets."""

    def __init__(self, elapsed: Callable[[], float]) -> None:
        """Nothing is known yet.

        Args:
            elapsed: such as ``time.monotonic``.
        """
        self._elapsed = elapsed
        self._samples: list[tuple[float, float, float]] = []

    def take_sample(self, ask: Callable[[], tuple[float, float]]) -> None:
        """Compare the server's two stamps with the node's own, as RFC 5905 section 8 has it."""
        asked = self._elapsed()
        received, sent = ask()
        answered = self._elapsed()
        offset = ((received - asked) + (sent - answered)) / 2.0
        self._samples = [*self._samples, (offset, (answered - asked) / 2.0, answered)][-SAMPLES:]

    def now(self) -> tuple[float, float] | None:
        """The server's time, POSIX seconds, and by how much it may be off; None before it was heard."""
        at = self._elapsed()
        known = [(error_s + DRIFT * (at - taken), offset) for offset, error_s, taken in self._samples]
        return None if not known else (at + min(known)[1], min(known)[0])
