"""Why the paper stands still: what the print loop, the laying and the settling tell each other about it."""

from __future__ import annotations

from dataclasses import dataclass

from machines.node.store.journal import Journal
from machines.recovery import Cause


@dataclass
class Interruption:
    """Of printing, since the last burst or gap. The journal keeps why, so that it outlives the agent.

    Attributes:
        cause: why nothing could be printed; the first reason is the cause of the next gap. None while nothing stood in
            the way.
        resumed: this agent began, perhaps in the middle of a replay, and has not laid or settled anything yet.
    """

    journal: Journal
    cause: Cause | None = None
    resumed: bool = False

    def begin(self, cause: Cause) -> None:
        """An agent began, after a stop of this cause; what already stood in the way of the one before it, counts."""
        with self.journal.reading() as db:
            (self.cause,) = db.execute("SELECT cause FROM interruption").fetchone()
        self.because(cause)
        self.resumed = True

    def because(self, cause: Cause) -> None:
        """Something stands in the way; whatever already does, counts."""
        if self.cause is None:
            self._keep(cause)

    def over(self, cause: Cause | None = None) -> None:
        """Something was laid or settled, and this is in the way of what comes next."""
        self._keep(cause)
        self.resumed = False

    def _keep(self, cause: Cause | None) -> None:
        if cause != self.cause:
            self.cause = cause
            with self.journal.transaction() as db:
                db.execute("UPDATE interruption SET cause = ?", (cause,))
