"""The node's clock: the estimate of server time, fed by the exchange and asked by the print loop."""

from __future__ import annotations

from machines.clock import Clock
from machines.errors import InputError
from machines.node import held as holding
from machines.node.client import Client, Unreachable
from machines.node.journal import Journal
from machines.node.server_time import SAMPLES_KEPT, Estimate, ServerTime, measured


class Timekeeper:
    """What time it is by the server; the exchange adds samples, the print loop asks."""

    def __init__(self, clock: Clock, journal: Journal, boot: str) -> None:
        """Begin with the sample that the journal kept of this boot, if there is one."""
        self._clock, self._journal, self._boot = clock, journal, boot
        with journal.reading() as db:
            kept = holding.kept_time(db, boot)
        self._time = ServerTime() if kept is None else ServerTime((kept,))

    @property
    def settled(self) -> bool:
        """Whether there are as many samples as are looked at."""
        return len(self._time.samples) == SAMPLES_KEPT

    def estimate(self) -> Estimate | None:
        """The server's time at this moment; None before the first sample."""
        return self._time.estimate(self._clock.elapsed())

    def ask(self, client: Client) -> None:
        """Take one more sample, and keep it if it is the best."""
        asked_s = self._clock.elapsed()
        received, sent = client.clock()
        answered_s = self._clock.elapsed()
        try:
            sample = measured(asked_s, received, sent, answered_s)
        except InputError as error:
            raise Unreachable(str(error)) from error
        self._time = self._time.after(sample)
        if self._time.best(answered_s) == sample:
            with self._journal.transaction() as db:
                holding.keep_time(db, self._boot, sample)
