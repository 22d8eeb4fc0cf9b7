"""The errand that tells the server what it does not know yet, and how the node is."""

from __future__ import annotations

import logging
from dataclasses import dataclass

from machines.clock import utc
from machines.node.store import outbox
from machines.node.store.journal import Journal, read_state
from machines.node.sync.client import Client
from machines.node.sync.failures import EntriesMissing, JournalDiffers, TooLarge
from machines.node.sync.timekeeper import Timekeeper
from machines.node.work import held_work as holding
from machines.protocol.messages import Reports, Status
from machines.serialization import parse_instant

log = logging.getLogger(__name__)

LARGEST_BATCH = 200


@dataclass
class ReportErrand:
    """What it is told from, and to whom.

    Attributes:
        epoch: of the board's credentials.
        panel: where people find the board's panel; None for none that is known.
        batch: how many entries are told at once; fewer once that was too much.
    """

    journal: Journal
    time: Timekeeper
    client: Client
    epoch: int
    batch: int = LARGEST_BATCH
    panel: str | None = None

    def run(self) -> None:
        """Everything that is not accepted yet, in order, before work is fetched: a server that was put back from an
        older copy must know what was printed before it says what to print. A batch whose answer was lost is sent
        again; that is harmless, as the server takes each number once.

        A copy of this board may write under its name while this one has nothing to tell. A journal that lost what it
        wrote last looks just the same, and does not know either what lies on the paper: it must not print on.

        Raises:
            JournalDiffers: the server has more entries than this journal had when it was asked.
            CallFailed: the server was not reached, or refused.
        """
        before = -1
        while True:
            with self.journal.reading() as db:
                entries, retelling = outbox.unaccepted(db, self.batch), outbox.retelling(db)
                last = outbox.next_seq(db) - 1
            reports = Reports(epoch=self.epoch, entries=(), status=self._status(), again=retelling)
            try:
                through = self.client.report(reports.with_told(entries))
            except TooLarge:
                if self.batch == 1:
                    raise
                self.batch = max(1, self.batch // 2)
                continue
            except EntriesMissing as refusal:
                is_back = self._rewind(refusal.expected) > 0
                if refusal.expected <= before or not is_back:  # it was sent, and the server still lacks it
                    raise
                before = refusal.expected
                continue
            if through > last:  # what was written meanwhile was told by nobody but a copy
                raise JournalDiffers.beyond(through, last)
            with self.journal.transaction() as db:
                outbox.accept(db, through)
            is_back = self._rewind(through + 1) > 0
            if through <= before or not (is_back or len(entries) == self.batch):
                return
            before = through

    def _rewind(self, expected: int) -> int:
        with self.journal.transaction() as db:
            count = outbox.rewind(db, expected)
        if count:
            log.warning("the server has lost what it was told: entries from %d on are told again", expected)
        return count

    def _status(self) -> Status | None:
        estimate = self.time.estimate()
        if estimate is None:
            return None
        with self.journal.reading() as db:
            state, until, work = read_state(db), holding.held_until(db), holding.work_held(db)
            following = holding.held_next(db)
        return Status(
            at=utc(estimate.now),
            next_column=None if state.run is None else state.next_column,
            paper_position=state.paper_position,
            clock_error_s=estimate.error_s,
            knife_armed=state.knife_armed,
            held_until=None if until is None else parse_instant(until),
            held_run=None if work is None or work.run is None else work.run.id,
            held_revision=None if work is None or work.run is None else work.run.revision,
            following=following,
            panel=self.panel,
        )
