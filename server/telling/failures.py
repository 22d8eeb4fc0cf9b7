"""A message that was not taken."""

from __future__ import annotations

from machines.errors import DayrollError


class NotSent(DayrollError):
    """It was not taken by the other side, as far as is known.

    Attributes:
        for_good: whether trying again is of no use.
    """

    def __init__(self, problem: str, *, for_good: bool = False) -> None:
        super().__init__(problem)
        self.for_good = for_good
