"""The node's clock: the estimate of server time, fed by the exchange and asked by the print loop."""

from __future__ import annotations

import logging

from machines.clock import Clock
from machines.errors import InputError
from machines.node import held as holding
from machines.node.client import Client, Unreachable
from machines.node.journal import Journal
from machines.node.samples import measured
from machines.node.server_time import SAMPLES_KEPT, Estimate, ServerTime

log = logging.getLogger(__name__)


class Timekeeper:
    """What time it is by the server; the exchange adds samples, the print loop asks."""

    def __init__(self, clock: Clock, journal: Journal, boot: str) -> None:
        """Begin with what the journal kept of this boot, if it did."""
        self._clock, self._journal, self._boot = clock, journal, boot
        with journal.reading() as db:
            self._time = holding.kept_time(db, boot) or ServerTime()

    @property
    def settled(self) -> bool:
        """Whether there are as many samples as are looked at."""
        return len(self._time.samples) == SAMPLES_KEPT

    def estimate(self) -> Estimate | None:
        """The server's time at this moment; None before the first sample."""
        return self._time.estimate(self._clock.elapsed())

    def ask(self, client: Client) -> None:
        """Take one more sample, and keep what is known now if that is worth a write to the card."""
        asked_s = self._clock.elapsed()
        received, sent = client.clock()
        answered_s = self._clock.elapsed()
        try:
            sample = measured(asked_s, received, sent, answered_s)
        except InputError as error:
            raise Unreachable(str(error)) from error
        before, self._time = self._time, self._time.after(sample)
        _tell(before, self._time)
        if self._time.best(answered_s) == sample or _learned(before, self._time):
            with self._journal.transaction() as db:
                holding.keep_time(db, self._boot, self._time)


def _learned(before: ServerTime, after: ServerTime) -> bool:
    return before.doubted_since_s != after.doubted_since_s or before.crystal.wander != after.crystal.wander


def _tell(before: ServerTime, after: ServerTime) -> None:
    if after.doubted_since_s != before.doubted_since_s:
        if after.doubted_since_s is None:
            log.warning("the server has told one time for a while: it is believed again")
        else:
            log.warning("the server's time contradicts what it told before: nothing is printed until it is sure again")
    elif after.crystal.wander > before.crystal.wander:
        log.warning("the board's crystal wanders more than was assumed: its rate is learned anew")
