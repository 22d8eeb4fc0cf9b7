"""The orders in hand: committed to the journal, given to the machine one by one, each at its time.

An order is committed a little ahead, so that a slow card makes no column late. A power cut in this little while leaves
the burst unknown although it was not laid; so the lead is short, a part of the burst's time and at most a column's.

    ordered, committed      given to the machine      done, committed
    ------|----------------------|------------------------|------>
          |<------- lead ------->| the burst's instant
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from machines.drivers import Driver, MachineStopped
from machines.node.device.usage import drops_of
from machines.node.store.journal import Journal
from machines.node.work import order_log
from machines.node.work.bursts import Burst
from machines.node.work.held_work import HeldWork, quiet_s
from machines.node.work.order_log import Laid
from machines.node.work.plate_cache import PlateCache

LEAD_BURSTS = 0.25


def lead_s(work: HeldWork) -> float:
    """How long before its instant a burst is ordered, seconds."""
    return min(work.column_s, LEAD_BURSTS * work.burst_s)


class OrdersInHand:
    """Bursts ordered together and not all done. What is not given to the machine yet can be withdrawn."""

    def __init__(self, journal: Journal, plates: PlateCache, time: Callable[[], float]) -> None:
        """Wire it up; ``time`` is by the server, POSIX seconds."""
        self._journal = journal
        self._plates = plates
        self._time = time
        self._held: HeldWork | None = None
        self._waiting: list[tuple[Burst, NDArray[np.bool_]]] = []
        self._laid: list[Laid] = []
        self._catching_up = self._closed_only = False
        # A replay lays its next burst no sooner than this, POSIX seconds: the machine's highest rate.
        self._not_before = -math.inf

    def __bool__(self) -> bool:
        return bool(self._waiting)

    @property
    def catching_up(self) -> bool:
        """Whether they are of a replay."""
        return self._catching_up

    @property
    def next_column(self) -> int:
        """First column not given to the machine yet."""
        return self._waiting[0][0].first_column

    @property
    def next_due(self) -> float:
        """When what is not given to the machine yet belongs under the head, POSIX seconds."""
        return self._waiting[0][0].due

    def begin_replay(self, now: float) -> None:
        """What comes next is late, and true again only after this."""
        self._not_before = now

    def order_at(self, work: HeldWork, burst: Burst, *, catching_up: bool) -> float:
        """When to order a burst, POSIX seconds. In a replay there is no hurry."""
        return max(burst.due, self._not_before) if catching_up else burst.due - lead_s(work)

    def take(
        self, work: HeldWork, planned: list[Burst], now: float, *, catching_up: bool, closed_only: bool = False
    ) -> None:
        """Commit orders, with their dots at hand. A replay may be allowed to catch up ``closed_only``, in the venue's
        closed hours.

        Raises:
            FileNotFoundError: a plate went while they were planned; nothing was ordered.
        """
        dots = [self._dots(work, burst) for burst in planned]
        with self._journal.transaction() as db:
            order_log.order(db, planned, now)
        self._held, self._catching_up, self._closed_only = work, catching_up, closed_only
        self._waiting = [*zip(planned, dots, strict=True)]

    def imminent(self, now: float) -> bool:
        """Whether the next burst is to be given now or within the lead, and nothing else matters until then."""
        if self._held is None or not self._waiting or self._catching_up:
            return False
        after = now - self._waiting[0][0].due
        return -lead_s(self._held) <= after <= self._held.burst_s

    def due_in_s(self, now: float) -> float:
        """How long until the next burst is to be given, seconds."""
        burst, _ = self._waiting[0]
        return (max(burst.due, self._not_before) if self._catching_up else burst.due) - now

    def lay(self, driver: Driver) -> tuple[HeldWork, Burst]:
        """Give the next burst to the machine.

        Returns:
            the burst that lies now, and the work that it is of.

        Raises:
            MachineStopped: in the middle of it; that burst is unknown now, those after it are withdrawn.
        """
        assert self._held is not None, "orders are taken with the work that they are of"
        (burst, dots), began = self._waiting.pop(0), self._time()
        driver.keep_quiet(quiet_s(self._held.quiet, began))
        try:
            driver.lay(burst.place, dots, burst.first_column)
        except MachineStopped:
            self.close()
            raise
        true_again = self._catching_up and burst.due >= self._not_before
        drops = drops_of(dots, self._held.profile)
        self._laid.append(Laid(burst=burst, at=self._time(), true_again=true_again, drops=drops))
        self._catching_up = self._catching_up and not true_again
        self._not_before = self._next_not_before(self._held, began, len(burst))
        if not self._waiting:
            self.close()
        return self._held, burst

    def _next_not_before(self, work: HeldWork, began: float, columns: int) -> float:
        """A burst that began takes as long as at the machine's highest rate; but as long as the sky's, while the venue
        is open and catching up must wait, and what the last one was late by is not added."""
        if not self._catching_up or not self._closed_only or work.is_closed_at(began):
            return began + columns / work.profile.highest_columns_per_s()
        takes_s = columns * work.column_s
        return max(self._not_before, began - takes_s) + takes_s

    def close(self) -> None:
        """Write down what was done, and withdraw what was not given to the machine."""
        if self._held is not None and (self._laid or self._waiting):
            with self._journal.transaction() as db:
                order_log.record(db, self._held, self._laid, [burst for burst, _ in self._waiting])
        self._laid, self._waiting = [], []

    def _dots(self, work: HeldWork, burst: Burst) -> NDArray[np.bool_]:
        plate = work.plate_of(burst.first_column)
        return self._plates.dots(plate, burst.first_column, burst.end_column, work.profile)
