"""What is missing is settled by the policy before anything is laid after it; a run that is new is taken up."""

from __future__ import annotations

import logging

from machines.clock import utc
from machines.node.printing import gaps
from machines.node.printing.order_queue import OrdersInHand
from machines.node.store.journal import Journal, State, read_state
from machines.node.store.recovery_state import Recovering
from machines.node.waiting.inquiry import WorkInquiry
from machines.node.work import order_log, takeover
from machines.node.work.bursts import instant_of, is_late
from machines.node.work.held_work import HeldWork
from machines.node.work.interruption import Interruption
from machines.node.work.plate_cache import PlateCache
from machines.node.work.snapshot import Snapshot, take_snapshot
from machines.protocol.messages import pace
from machines.recovery import Gap, Override, settle

log = logging.getLogger(__name__)


class Settling:
    """Settles gaps and takes up runs, in the journal.

    Attributes:
        waits: whether a gap waits for the server to be asked for a person's word on it; nothing is laid meanwhile.
    """

    def __init__(
        self,
        journal: Journal,
        plates: PlateCache,
        in_hand: OrdersInHand,
        interruption: Interruption,
        inquiry: WorkInquiry | None,
    ) -> None:
        """Wire it up; see `machines.node.printing.loop.Printer`."""
        self._inquiry = inquiry
        self.waits = False
        self._journal = journal
        self._plates = plates
        self._in_hand = in_hand
        self._interruption = interruption

    def settle(self, work: HeldWork, snapshot: Snapshot, now: float) -> bool:
        """Settle a gap by the policy, or by a person's word, if there is one.

        Args:
            work: the work.
            snapshot: the journal as it stands.
            now: by the server, POSIX seconds.

        Returns:
            whether there was. It is settled once the server was asked for a person's word on it: see `waits`.

        Raises:
            CannotTell: how much is missing.
        """
        state, kept = snapshot.state, snapshot.recovery
        self.waits = False
        overruled = state.catching_up and _holds(work.override, kept, kept.since) and self._is_behind(work, state, now)
        if self._in_hand:
            if not overruled and (self._in_hand.catching_up or not is_late(work, self._in_hand.next_column, now)):
                return False
            self._in_hand.close()
            snapshot = take_snapshot(self._journal)  # what was laid is written down now
            state = snapshot.state
        resumed = self._interruption.resumed or overruled
        missing = gaps.find(work, state, snapshot.unknown_end, resumed=resumed, now=now)
        if missing is None:
            self._wait_no_more()
            return False
        if self._may_wait(work, missing, state, kept):
            self.waits = True
            return False
        self._wait_no_more()
        self._decide(work, missing, snapshot, now)
        return True

    def _is_behind(self, work: HeldWork, state: State, now: float) -> bool:
        """Whether there is still something to decide about in a replay that is under way."""
        return bool(is_late(work, self._in_hand.next_column if self._in_hand else state.next_column, now))

    def _may_wait(self, work: HeldWork, missing: gaps.Missing, state: State, kept: Recovering) -> bool:
        """Whether a person's word on this gap may lie at the server, and is not here yet."""
        known = _holds(work.override, kept, _since(work, missing, state, kept))
        return self._inquiry is not None and not known and self._inquiry.is_awaited()

    def _wait_no_more(self) -> None:
        if self._inquiry is not None:
            self._inquiry.forget()

    def _decide(self, work: HeldWork, missing: gaps.Missing, snapshot: Snapshot, now: float) -> None:
        state, kept = snapshot.state, snapshot.recovery
        with self._journal.reading() as db:
            half_printed = gaps.half_printed(db, work, missing)
        missing_since = instant_of(work, missing.unknown_end)
        since = _since(work, missing, state, kept)
        # Where nothing stood in the way, the board itself came late, as with a busy disk.
        cause = self._interruption.cause or (kept.cause if state.catching_up else None) or "board"
        override = work.override if _holds(work.override, kept, since) else None
        rule = work.policy.rule_for(cause) if override is None else override.rule
        gap = Gap(
            **vars(missing),
            cause=cause,
            noticed_at=utc(now),
            missing_since=None if missing_since is None else utc(missing_since),
            segment=half_printed,
            closed=tuple(span for span in work.closed if span.ends_at > utc(now)) if rule.only_while_closed else (),
            dots_per_column=gaps.dots_per_column(work, self._plates, missing),
            override=override,
        )
        decision = settle(work.policy, gap, pace(work.profile, work.run))
        with self._journal.transaction() as db:
            order_log.record_settlement(db, work, gap, decision, since)
        self._interruption.over()
        self._in_hand.begin_replay(now)
        message = "columns %d to %d are missing (%s), %d of them perhaps on the paper: %s, as %s"
        log.warning(message, gap.first, gap.end, cause, len(decision.unknown), decision.action, decision.reason)

    def adopt(self, work: HeldWork, remembered: int | None, paper_end: int | None, now: float) -> None:
        """Turn to a run that is not the journal's, or that another board may have printed since; what that one may have
        laid is settled next.

        Args:
            work: the run, with at least one segment.
            remembered: the running column after the last that the machine remembers; None if it does not.
            paper_end: the place up to which the machine remembers the paper; None if it does not.
            now: by the server, POSIX seconds.

        Raises:
            CannotTell: what another board may have laid.
        """
        with self._journal.reading() as db:
            state, unknown_end = read_state(db), order_log.unknown_end(db)
            left, before = order_log.left_run(db, work.run.id), order_log.laid_before(db, work)
            unknown_paper = takeover.paper_unknown(db, paper_end)
            goes_on = state.run != work.run.id and takeover.goes_beyond(db, state.run)
            begins = takeover.begins_beyond(db) if goes_on else None
            fed = unknown_paper or max(0, (paper_end or 0) - takeover.paper_known(db))
        first = takeover.where_to_begin(work, state, None if left is None else left.next_column)
        due = first
        if state.run != work.run.id:
            unknown_end = None if left is None else left.perhaps_end
            if left is None and before is not None:
                first, unknown_end = max(due, before.next_column), before.perhaps_end
        laid_end = max(first, min(unknown_end or first, work.run.end_column))
        takes_over = bool(state.taking_over or unknown_paper or goes_on) and paper_end != 0  # blank paper tells enough
        if takes_over:
            laid_end = max(laid_end, takeover.perhaps_laid_until(work, first, remembered, now, fed))
        perhaps_end = laid_end if laid_end > first else None
        if perhaps_end is not None:
            log.warning("columns %d to %d may be on the paper, by another board", first, perhaps_end)
        with self._journal.transaction() as db:
            order_log.adopt(db, work, first, perhaps_end, paper_end or 0, begins=begins)
            takeover.note_beyond(db, work.run.id if takes_over and laid_end >= work.run.end_column else None)
            order_log.pass_over(db, work, due, first, now)
        if state.run != work.run.id:  # or else whatever stood in the way of it still does
            self._interruption.over("late-start" if is_late(work, first, now) else None)


def _since(work: HeldWork, missing: gaps.Missing, state: State, kept: Recovering) -> float | None:
    """When an outage began, POSIX seconds; None if that is not known. A gap in the middle of a replay is the same
    outage still. A new one begins with the last burst that was laid: a person's word may come as soon as the next is
    due, and sooner where the server has not heard yet of that last one."""
    if state.catching_up:
        return kept.since
    instants = (instant_of(work, column) for column in (missing.first - 1, missing.first, missing.unknown_end))
    return next((instant for instant in instants if instant is not None), None)


def _holds(override: Override | None, kept: Recovering, since: float | None) -> bool:
    """Whether a person's word was not taken yet and is about the outage since an instant, POSIX seconds. One that was
    given before it was about another outage, which was over when the word came."""
    if override is None or override.id == kept.override or since is None:
        return False
    return override.given_at.timestamp() >= since
