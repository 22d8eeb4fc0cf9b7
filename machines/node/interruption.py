"""Why the paper stands still: what the print loop, the laying and the settling tell each other about it."""

from __future__ import annotations

from dataclasses import dataclass

from machines.recovery import Cause


@dataclass
class Interruption:
    """Of printing, since the last burst or gap.

    Attributes:
        cause: why nothing could be printed; the first reason is the cause of the next gap. None while nothing stood in
            the way.
        resumed: this agent began, perhaps in the middle of a replay, and has not laid or settled anything yet.
    """

    cause: Cause | None = None
    resumed: bool = False

    def because(self, cause: Cause) -> None:
        """Something stands in the way; whatever already does, counts."""
        if self.cause is None:
            self.cause = cause

    def over(self, cause: Cause | None = None) -> None:
        """Something was laid or settled, and this is in the way of what comes next."""
        self.cause, self.resumed = cause, False
