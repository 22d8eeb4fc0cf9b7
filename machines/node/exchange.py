"""The network's side of the node: time, work, plates and reports, in passes. Nothing of it is urgent: the print loop
goes on with what is held, for as long as that lasts."""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass

from machines.clock import Clock, utc
from machines.errors import InputError
from machines.node import held as holding
from machines.node import outbox
from machines.node.asked import AskedForWork
from machines.node.client import (
    Client,
    EntriesMissing,
    FencedOff,
    JournalDiffers,
    NotKnown,
    Refused,
    TooLarge,
    Unreachable,
    backoff_s,
)
from machines.node.journal import Journal, change_state, read_state
from machines.node.plates import PlateStore
from machines.node.timekeeper import Timekeeper
from machines.structure import parse_instant
from machines.wire import Reports, Status, Work

log = logging.getLogger(__name__)

LARGEST_BATCH = 200
FIRST_POLL_S = 60.0


@dataclass
class Exchange:
    """Passes of errands to the server.

    Attributes:
        journal, clock, time, plates, client: what it works with.
        epoch: of the credentials.
        horizon: how far ahead work is held, ISO 8601.
        asked: tells the print loop of the passes; one that it waits for comes at once, where the server answers.
    """

    journal: Journal
    clock: Clock
    time: Timekeeper
    plates: PlateStore
    client: Client
    epoch: int
    horizon: str
    asked: AskedForWork
    _batch: int = LARGEST_BATCH
    _failures: int = 0
    _trouble: str = ""

    def run(self, stopping: Callable[[], bool], look_s: float) -> None:
        """Pass after pass until it is time to stop, and once more for the last reports.

        Args:
            stopping: whether it is.
            look_s: how often to ask, real seconds.
        """
        while not stopping():
            began_s = self.clock.elapsed()
            wait_s = self.run_once()
            while not (stopping() or self._is_wanted_now()) and (left_s := began_s + wait_s - self.clock.elapsed()) > 0:
                self.clock.sleep(left_s, at_most_real_s=look_s)
        self._do([self._report])

    def run_once(self) -> float:
        """One pass.

        Returns:
            how long to wait before the next one, in the clock's seconds.
        """
        self.asked.begin()
        asked_for_s = self._do([self._ask_time, self._report, self._fetch_work, self._fetch_plates])
        self.asked.end()
        if asked_for_s is None:
            self._recovered()
            return self._poll_after_s()
        self._failures += 1
        return backoff_s(self._failures, asked_for_s)

    def _is_wanted_now(self) -> bool:
        return self.asked.is_wanted and self._failures == 0

    def _do(self, errands: list[Callable[[], None]]) -> float | None:
        """Run errands. One that is refused does not keep the next from being tried; without an answer none is.

        Returns:
            None if all went well; else how long the server wants to be left alone, seconds, 0 if it did not say.
        """
        asked_for_s: float | None = None
        for errand in errands:
            try:
                errand()
            except Unreachable as error:
                self._say(str(error))
                return asked_for_s or 0.0
            except Refused as refusal:
                self._refused(refusal)
                asked_for_s = max(asked_for_s or 0.0, refusal.retry_after_s or 0.0)
            except (sqlite3.Error, OSError) as error:  # a full card, for one; the print loop has its own say
                self._say(f"the exchange with the server cannot write: {error}")
                asked_for_s = asked_for_s or 0.0
        return asked_for_s

    def _refused(self, refusal: Refused) -> None:
        if isinstance(refusal, FencedOff):
            with self.journal.transaction() as db:
                change_state(db, fenced=refusal.detail)
        elif isinstance(refusal, NotKnown):
            self._say(f"{refusal}; what is held is printed on, but a person must enrol this board again")
        else:
            self._say(str(refusal))

    def _say(self, trouble: str) -> None:
        """Once, not with every pass."""
        if trouble != self._trouble:
            log.warning("%s", trouble)
        self._trouble = trouble

    def _recovered(self) -> None:
        if self._trouble:
            log.info("the server is answering again")
        self._trouble, self._failures = "", 0

    def _poll_after_s(self) -> float:
        with self.journal.reading() as db:
            work = holding.work_held(db)
        return FIRST_POLL_S if work is None else work.poll_after_s

    # The errands.

    def _ask_time(self) -> None:
        self.time.ask(self.client)

    def _fetch_work(self) -> None:
        with self.journal.reading() as db:
            etag = holding.etag_held(db)
        fetched = self.client.work(self.horizon, etag)
        if fetched is not None:
            with self.journal.transaction() as db:
                holding.hold(db, fetched)

    def _fetch_plates(self) -> None:
        with self.journal.reading() as db:
            work = holding.work_held(db)
        if work is None:
            return
        missing = [digest for digest in work.plates if not self.plates.has(digest)]
        for digest in missing:
            self._fetch_plate(digest, work)
        if missing:
            with self.journal.reading() as db:
                needed = holding.plates_needed(db)
            self.plates.prune(needed)

    def _fetch_plate(self, digest: str, work: Work) -> None:
        try:
            self.plates.keep(digest, self.client.plate(digest), work.profile)
        except InputError as error:
            raise Unreachable(f"plate {digest[:12]}: {error}") from error

    def _report(self) -> None:
        """Everything that is not accepted yet, in order, before work is fetched: a server that was put back from an
        older copy must know what was printed before it says what to print. A batch whose answer was lost is sent
        again; that is harmless, as the server takes each number once."""
        before = -1
        while True:
            with self.journal.reading() as db:
                entries = outbox.unaccepted(db, self._batch)
            try:
                through = self.client.report(Reports(epoch=self.epoch, entries=entries, status=self._status()))
            except TooLarge:
                if self._batch == 1:
                    raise
                self._batch = max(1, self._batch // 2)
                continue
            except EntriesMissing as refusal:
                self._rewind(refusal.expected)
                if refusal.expected <= before:  # it was sent, and the server still lacks it
                    raise
                before = refusal.expected
                continue
            self._require_own(through)
            with self.journal.transaction() as db:
                outbox.accept(db, through)
            again = self._rewind(through + 1)
            if through <= before or not (again or len(entries) == self._batch):
                return
            before = through

    def _rewind(self, expected: int) -> int:
        with self.journal.transaction() as db:
            again = outbox.rewind(db, expected)
        if again:
            log.warning("the server has lost what it was told: entries from %d on are told again", expected)
        return again

    def _require_own(self, through: int) -> None:
        """A copy of this board may write under its name while this one has nothing to tell.

        Raises:
            JournalDiffers: the server has more entries than this journal.
        """
        with self.journal.reading() as db:
            last = outbox.next_seq(db) - 1
        if through > last:
            raise JournalDiffers.beyond(through, last)

    def _status(self) -> Status | None:
        estimate = self.time.estimate()
        if estimate is None:
            return None
        with self.journal.reading() as db:
            state, until = read_state(db), holding.held_until(db)
        return Status(
            at=utc(estimate.now),
            next_column=None if state.run is None else state.next_column,
            paper_position=state.paper_position,
            clock_error_s=estimate.error_s,
            knife_armed=state.knife_armed,
            held_until=None if until is None else parse_instant(until),
        )
