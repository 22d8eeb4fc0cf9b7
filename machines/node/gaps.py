"""Finding what is missing on the paper, from the journal and the work held: plain functions."""

from __future__ import annotations

from dataclasses import dataclass

from machines.node.bursts import Held, first_after, is_late
from machines.node.journal import State


@dataclass(frozen=True, kw_only=True)
class Missing:
    """Columns that a gap spans; see `machines.recovery`."""

    first: int
    unknown_end: int
    end: int


class CannotTell(Exception):
    """Something is missing, but the work held does not say how much; nothing may be printed until it does."""


def find(held: Held, state: State, unknown_end: int | None, *, resumed: bool, now: float) -> Missing | None:
    """The gap before the next column that can be laid at its instant; None if there is none.

    Args:
        held: the work.
        state: of the journal.
        unknown_end: end of the columns ordered without an outcome.
        resumed: this agent began in the middle of a replay. While a replay catches up, being late is no new gap; but
            an agent that begins in the middle of one was away.
        now: by the server, POSIX seconds.

    Raises:
        CannotTell: work must come first.
    """
    first = state.next_column
    if unknown_end is None and state.catching_up and not resumed:
        return None
    unknown_end = first if unknown_end is None else unknown_end
    late = is_late(held, unknown_end, now)
    if late is None:
        if unknown_end > first:
            raise CannotTell
        return None
    end = unknown_end
    if late:
        after = first_after(held, now)
        if after is None:
            raise CannotTell
        end = max(end, after)
    return None if end == first else Missing(first=first, unknown_end=unknown_end, end=end)
