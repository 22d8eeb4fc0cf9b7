"""What is missing is settled by the policy before anything is laid after it; a run that is new is taken up."""

from __future__ import annotations

import logging

from machines.clock import utc
from machines.node import gaps, orders
from machines.node.bursts import Held, is_late
from machines.node.in_hand import OrdersInHand
from machines.node.interruption import Interruption
from machines.node.journal import Journal, read_state
from machines.recovery import Gap, settle
from machines.wire import pace

log = logging.getLogger(__name__)


class Settling:
    """Settles gaps and takes up runs, in the journal."""

    def __init__(self, journal: Journal, in_hand: OrdersInHand, interruption: Interruption) -> None:
        """Wire it up; see `machines.node.printing.Printer`."""
        self._journal = journal
        self._in_hand = in_hand
        self._interruption = interruption

    def settle(self, held: Held, now: float) -> bool:
        """Settle a gap by the policy, if there is one; ``now`` by the server, POSIX seconds.

        Returns:
            whether there was.

        Raises:
            CannotTell: how much is missing.
        """
        if self._in_hand:
            if self._in_hand.catching_up or not is_late(held, self._in_hand.next_column, now):
                return False
            self._in_hand.close()
        with self._journal.reading() as db:
            state, unknown_end = read_state(db), orders.unknown_end(db)
        missing = gaps.find(held, state, unknown_end, resumed=self._interruption.resumed, now=now)
        if missing is None:
            return False
        cause = self._interruption.cause or "machine"
        gap = Gap(**vars(missing), cause=cause, noticed_at=utc(now))
        decision = settle(held.policy, gap, pace(held.profile, held.run))
        with self._journal.transaction() as db:
            orders.settle(db, held, gap, decision)
        self._interruption.over()
        self._in_hand.begin_replay(now)
        message = "columns %d to %d are missing (%s), %d of them perhaps on the paper: %s, as %s"
        log.warning(message, gap.first, gap.end, cause, len(decision.unknown), decision.action, decision.reason)
        return True

    def adopt(self, held: Held, paper_end: int, now: float) -> None:
        """Turn to a run that is not the journal's: at its first column, or where the board before this one stopped, as
        the server offers only what is not accounted for.

        Args:
            held: the run, with at least one segment.
            paper_end: the place up to which the machine itself remembers the paper; 0 if it does not.
            now: by the server, POSIX seconds.
        """
        first_column = max(held.run.first_column, held.segments[0].first_column)
        with self._journal.transaction() as db:
            orders.adopt(db, held, first_column, paper_end)
        self._interruption.over("late-start" if is_late(held, first_column, now) else None)
