"""Recesses: spans of time in which nothing of a run is laid, because people hold it.

Like a column's instant, a recess is by the clock and not by the run's timeline: one that waits goes on waiting in it.
What belongs under the head at its beginning is laid no more, what belongs there after its end is.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from machines.errors import InputError


@dataclass(frozen=True, kw_only=True)
class Recess:
    """A span in which nothing is laid.

    Attributes:
        starts_at: when it begins, UTC.
        ends_at: when printing goes on by itself, UTC; None where it goes on when people say so.
    """

    starts_at: datetime
    ends_at: datetime | None = None

    def __post_init__(self) -> None:
        if self.ends_at is not None and self.ends_at <= self.starts_at:
            raise InputError("ends_at", "not after starts_at", "give an end after the start")

    def holds_at(self, instant: datetime) -> bool:
        """Whether an instant lies in it."""
        return self.starts_at <= instant and (self.ends_at is None or instant < self.ends_at)


def recess_at(recesses: Iterable[Recess], instant: datetime) -> Recess | None:
    """The recess that an instant lies in; of several the one that ends last, None for none."""
    found = [one for one in recesses if one.holds_at(instant)]
    endless = next((one for one in found if one.ends_at is None), None)
    return endless or max(found, key=lambda one: one.ends_at or one.starts_at, default=None)
