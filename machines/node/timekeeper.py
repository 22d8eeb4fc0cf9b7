"""The node's clock: the estimate of server time, fed by the exchange and asked by the print loop."""

from __future__ import annotations

import logging
import threading

from machines.clock import Clock, utc
from machines.entries import SetTimeCompared
from machines.errors import InputError
from machines.node import held as holding
from machines.node import outbox, set_time
from machines.node.belief import SAMPLES_KEPT
from machines.node.client import Client, Unreachable
from machines.node.journal import Journal
from machines.node.samples import Sample, measured
from machines.node.server_time import Estimate, ServerTime

log = logging.getLogger(__name__)


class Timekeeper:
    """What time it is by the server; the exchange adds samples, a person may set it, the print loop asks."""

    def __init__(self, clock: Clock, journal: Journal, boot: str) -> None:
        """Begin with what the journal kept of this boot, if it did."""
        self._clock, self._journal, self._boot = clock, journal, boot
        self._lock = threading.Lock()  # the exchange and the watch may both have news
        with journal.reading() as db:
            self._time = holding.kept_time(db, boot) or ServerTime()
        self.take_up_word()

    def estimate(self) -> Estimate | None:
        """The server's time at this moment; None before the first sample and a person's word."""
        return self._time.estimate(self._clock.elapsed())

    def ask(self, client: Client) -> None:
        """Take one more sample; or as many as are looked at, where there are not so many of what the server tells now.

        Raises:
            Unreachable: the server gave no answer that can be used.
        """
        self._ask_once(client)
        for _ in range(SAMPLES_KEPT - 1):
            if self._time.sampled:
                break
            self._ask_once(client)

    def _ask_once(self, client: Client) -> None:
        """Take a sample, and keep what is known now if that is worth a write to the card."""
        asked_s = self._clock.elapsed()
        received, sent = client.clock()
        answered_s = self._clock.elapsed()
        try:
            sample = measured(asked_s, received, sent, answered_s)
        except InputError as error:
            raise Unreachable(str(error)) from error
        with self._lock:
            before, self._time = self._time, self._time.after(sample)
            _tell(before, self._time)
            if before.by_hand or self._time.told.best(answered_s) == sample or _learned(before, self._time):
                self._keep(before, sample)

    def take_up_word(self) -> None:
        """Go by what a person said of the time, unless the server was heard in this boot and is believed."""
        if not self._journal.state().time_said:
            return
        with self._lock, self._journal.transaction() as db:
            word = set_time.take(db, self._boot)
            now = self._time.estimate(self._clock.elapsed())
            if word is not None and (now is None or now.doubted or now.by_hand):
                self._time = self._time.set_by(word)
                holding.keep_time(db, self._boot, self._time)
                log.warning("a person set the time, to within %g s", word.error_s)

    def _keep(self, before: ServerTime, sample: Sample) -> None:
        """Keep what is known now; and say how true what a person said was."""
        with self._journal.transaction() as db:
            holding.keep_time(db, self._boot, self._time)
            if before.by_hand is not None:
                by_server = sample.offset_s + sample.taken_at_s
                ahead_s = before.by_hand.estimate(sample.taken_at_s, before.belief.crystal.rate).now - by_server
                entry = SetTimeCompared(
                    seq=outbox.next_seq(db), at=utc(by_server), ahead_s=ahead_s, error_s=before.by_hand.error_s
                )
                outbox.append(db, entry)
                log.warning("the server is heard again: the time that a person set was %+.1f s ahead", ahead_s)


def _learned(before: ServerTime, after: ServerTime) -> bool:
    return before.doubt != after.doubt or before.told.crystal.wander != after.told.crystal.wander


def _tell(before: ServerTime, after: ServerTime) -> None:
    if before.doubt is None and after.doubt is not None:
        message = "the server's time contradicts what it told before: until it is sure again, %.3g s may be wrong"
        log.warning(message, after.doubt.apart_s)
    elif before.doubt is not None and after.doubt is None:
        log.warning("the server has told one time for a while: it is believed again")
    elif after.told.crystal.wander > before.told.crystal.wander:
        log.warning("the board's crystal wanders more than was assumed: its rate is learned anew")
