"""The node's clock: the estimate of server time, fed by the exchange and asked by the print loop."""

from __future__ import annotations

import logging
import sqlite3
import threading
from dataclasses import replace

from machines.clock import Clock, utc
from machines.errors import InputError
from machines.node.clock import kept_time, known_rate, manual_time, own_clocks
from machines.node.clock.drift import Crystal
from machines.node.clock.estimate import SAMPLES_KEPT, Belief
from machines.node.clock.own_clocks import OwnClock
from machines.node.clock.samples import Sample, measured
from machines.node.clock.server_time import Estimate, ServerTime
from machines.node.store import outbox
from machines.node.store.journal import Journal
from machines.node.sync.client import Client
from machines.node.sync.failures import Unreachable
from machines.node.sync.reachability import Moment
from machines.protocol.journal_entries import SetTimeCompared

log = logging.getLogger(__name__)

# What the board's own clock says anew is taken up where that halves the error; each time is a write to the card.
WORTH_A_WRITE = 2.0


class Timekeeper:
    """What time it is by the server; the exchange adds samples, a person may set it, the print loop asks."""

    def __init__(
        self, clock: Clock, journal: Journal, boot: str, *, counter: str = "", own_clocks: tuple[OwnClock, ...] = ()
    ) -> None:
        """Begin with what the journal kept of this boot; if nothing, with what earlier boots learned of this board.

        Args:
            clock: the board's.
            journal: the node's.
            boot: names the count of elapsed seconds.
            counter: names the board and what counts; empty where it may count at another rate in the next boot.
            own_clocks: of the board, that may be believed where the server is not heard.
        """
        self._clock, self._journal, self._boot = clock, journal, boot
        self._counter, self._own_clocks = counter, own_clocks
        self._lock = threading.Lock()  # the exchange and the watch may both have news
        with journal.reading() as db:
            crystal = Crystal(known=known_rate.known(db, counter))
            self.server_time = kept_time.kept_time(db, boot) or ServerTime(Belief(crystal=crystal))
        self.take_up_word()
        self._look_at_own_clocks()

    def moment(self) -> Moment:
        """This moment, as well as the board can tell it."""
        elapsed_s = self._clock.elapsed()
        estimate = self.server_time.estimate(elapsed_s)
        return Moment(boot=self._boot, elapsed_s=elapsed_s, at=None if estimate is None else utc(estimate.now))

    def estimate(self) -> Estimate | None:
        """The server's time at this moment; None where nobody told it."""
        return self.server_time.estimate(self._clock.elapsed())

    def ask(self, client: Client) -> None:
        """Take one more sample; or as many as are looked at, where there are not so many of what the server tells now.

        Raises:
            Unreachable: the server gave no answer that can be used.
        """
        self._look_at_own_clocks()
        self._ask_once(client)
        for _ in range(SAMPLES_KEPT - 1):
            if self.server_time.sampled:
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
            before, self.server_time = self.server_time, self.server_time.after(sample)
            _tell(before, self.server_time)
            if before.by_hand or self.server_time.told.best(answered_s) == sample or _learned(before, self.server_time):
                self._keep(before, sample)

    def take_up_word(self) -> None:
        """Go by what a person said of the time, unless the server was heard in this boot and is believed."""
        if not self._journal.state().time_said:
            return
        with self._lock, self._journal.transaction() as db:
            word = manual_time.take(db, self._boot)
            now = self.server_time.estimate(self._clock.elapsed())
            if word is not None and not manual_time.why_not(now):
                self.server_time = self.server_time.set_by(word)
                kept_time.keep_time(db, self._boot, self.server_time)
                log.warning("a person set the time, to within %g s", word.error_s)

    def _look_at_own_clocks(self) -> None:
        """Go by a clock of the board's own until the server is heard, if that is surer than what is known."""
        if self.server_time.belief.samples or not self._own_clocks:
            return
        with self._lock, self._journal.transaction() as db:
            now_s = self._clock.elapsed()
            word = own_clocks.best(self._own_clocks, own_clocks.compared(db), now_s)
            before = self.server_time.by_board
            rate = self.server_time.belief.crystal.rate
            if word is None or (before and before.estimate(now_s, rate).error_s < WORTH_A_WRITE * word.error_s):
                return
            self.server_time = replace(self.server_time, by_board=word)
            kept_time.keep_time(db, self._boot, self.server_time)
            log.warning("the server was not heard yet: the time is by the board's own clock, to %.3g s", word.error_s)

    def _keep(self, before: ServerTime, sample: Sample) -> None:
        """Keep what is known now; and say how true was what a person said, or a clock of the board's own."""
        with self._journal.transaction() as db:
            kept_time.keep_time(db, self._boot, self.server_time)
            known_rate.keep(db, self._counter, self.server_time.belief.crystal)
            now = self.server_time.estimate(self._clock.elapsed())
            if self._own_clocks and now is not None and not now.doubted:
                own_clocks.compare(db, self._own_clocks, now)
            if before.by_board is not None and before.by_hand is None:
                self._compare_own(db, before, sample)
            if before.by_hand is not None:
                by_server = sample.offset_s + sample.taken_at_s
                ahead_s = before.by_hand.estimate(sample.taken_at_s, before.belief.crystal.rate).now - by_server
                entry = SetTimeCompared(
                    seq=outbox.next_seq(db), at=utc(by_server), ahead_s=ahead_s, error_s=before.by_hand.error_s
                )
                outbox.append(db, entry)
                log.warning("the server is heard again: the time that a person set was %+.1f s ahead", ahead_s)

    def _compare_own(self, db: sqlite3.Connection, before: ServerTime, sample: Sample) -> None:
        """Said only where the board's own clock was worse than its bound: what was printed by it is out by as much."""
        by_board, by_server = before.estimate(sample.taken_at_s), sample.offset_s + sample.taken_at_s
        assert by_board is not None, "a clock told it"
        ahead_s, error_s = by_board.now - by_server, by_board.error_s + sample.doubt_s
        log.info("the server is heard: the board's own clock was %+.1f s ahead, of %.3g s stated", ahead_s, error_s)
        if abs(ahead_s) > error_s:
            outbox.append(
                db, SetTimeCompared(seq=outbox.next_seq(db), at=utc(by_server), ahead_s=ahead_s, error_s=error_s)
            )


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
