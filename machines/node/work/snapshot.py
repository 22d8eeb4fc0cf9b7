"""Where a node stands: all that a step of the print loop goes by, read together, once until something is written."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from machines.node.store import recovery_state, strips
from machines.node.store.journal import Journal, State, read_state
from machines.node.store.recovery_state import Recovering
from machines.node.store.strips import Strip
from machines.node.work import order_log


@dataclass(frozen=True)
class Snapshot:
    """A journal between two of its transactions.

    Attributes:
        state: where the node stands.
        recovery: the outage that is being made good.
        pending: strips whose ends have not come to the knife, in the order in which they will.
        unknown_end: see `machines.node.work.order_log.unknown_end`.
    """

    state: State
    recovery: Recovering
    pending: tuple[Strip, ...]
    unknown_end: int | None


def take_snapshot(journal: Journal) -> Snapshot:
    """The journal as it stands; no other thread's transaction is half done in it."""
    state, beside = journal.kept_both(read_state, _beside_the_state)
    return Snapshot(state, *beside)


def _beside_the_state(db: sqlite3.Connection) -> tuple[Recovering, tuple[Strip, ...], int | None]:
    return recovery_state.read(db), tuple(strips.pending(db)), order_log.unknown_end(db)
