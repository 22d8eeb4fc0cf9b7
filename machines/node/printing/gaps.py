"""Finding what is missing on the paper, and the facts to settle it by, from the journal and the work held: plain
functions."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

import numpy as np

from machines.node.store import recovery_state
from machines.node.store.journal import State
from machines.node.work.bursts import CannotTell, first_after, is_late
from machines.node.work.held_work import HeldWork
from machines.node.work.plate_cache import PlateCache
from machines.recovery import Columns

# So many columns, evenly spread over what is missing, tell its mean number of dots well enough for a cost in ink.
SAMPLED_COLUMNS = 64


@dataclass(frozen=True, kw_only=True)
class Missing:
    """Columns that a gap spans; see `machines.recovery`."""

    first: int
    unknown_end: int
    end: int


def find(work: HeldWork, state: State, unknown_end: int | None, *, resumed: bool, now: float) -> Missing | None:
    """The gap before the next column that can be laid at its instant; None if there is none.

    Args:
        work: the work.
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
    late = is_late(work, unknown_end, now)
    if late is None:
        if unknown_end > first:
            raise CannotTell
        return None
    end = unknown_end
    if late:
        after = first_after(work, now)
        if after is None:
            raise CannotTell
        end = max(end, after)
    return None if end == first else Missing(first=first, unknown_end=unknown_end, end=end)


def half_printed(db: sqlite3.Connection, work: HeldWork, missing: Missing) -> Columns | None:
    """The segment that was being printed when something came between; None if the last that was ordered is whole."""
    made_good = recovery_state.read(db).half_printed
    if made_good and made_good.first <= missing.first < made_good.end and missing.unknown_end <= made_good.end:
        return made_good
    last = missing.unknown_end - 1
    row = db.execute(
        "SELECT laid_at FROM burst WHERE run = ? AND first_column <= ? AND end_column > ?", (work.run.id, last, last)
    ).fetchone()
    segment = work.segment_of(last)
    if row is None or segment is None:
        return None
    whole = segment.end_column == missing.unknown_end and row[0] is not None
    return None if whole else Columns(first=segment.first_column, end=segment.end_column)


def dots_per_column(work: HeldWork, plates: PlateCache, missing: Missing) -> float | None:
    """Mean number of dots in the missing columns, from some of them; None if none is, or if a plate is not held."""
    count = min(SAMPLED_COLUMNS, missing.end - missing.unknown_end)
    columns = np.linspace(missing.unknown_end, missing.end, count, endpoint=False).astype(int)
    digests = [work.plate_of(int(column)) for column in columns]
    if not digests or not all(plates.has(digest) for digest in digests):
        return None
    try:
        dots = [
            np.count_nonzero(plates.dots(digest, int(column), int(column) + 1, work.profile))
            for digest, column in zip(digests, columns, strict=True)
        ]
    except FileNotFoundError:  # the exchange has just pruned it
        return None
    return float(np.mean(dots))
