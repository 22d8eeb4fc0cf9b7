"""What comes next under the head, and when: plain functions over the work that the node holds."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from machines.errors import DayrollError
from machines.node.work.held_work import HeldWork
from machines.protocol.messages import SegmentWork

# A machine that crawls and stumbles, on a slow disk say, lays so many columns a little late rather than leave them out.
STUMBLE_COLUMNS = 4


@dataclass(frozen=True, kw_only=True)
class Burst:
    """Columns that the machine lays in one go: a burst, or the part of it in one segment, or up to a cut.

    Attributes:
        run, segment: that they belong to.
        first_column, end_column: which, the end excluded.
        place: on the paper, of the first.
        due: the burst's instant, POSIX seconds by the server.
    """

    run: str
    segment: int
    first_column: int
    end_column: int
    place: int
    due: float

    def __len__(self) -> int:
        return self.end_column - self.first_column

    @property
    def end_place(self) -> int:
        """The place after the last."""
        return self.place + len(self)


def instant_of(work: HeldWork, column: int) -> float | None:
    """The instant of the burst that a column belongs to, POSIX seconds; None if its segment is not held.

    A burst that the run's beginning clips is laid at the instant of its first column that is laid. One that reaches
    over a boundary of segments is laid at one instant, while the segment that it begins in is held.
    """
    segment = work.segment_of(column)
    if segment is None:
        return None
    start = max(work.profile.burst_start(column), work.run.first_column)
    return _instant(work.segment_of(start) or segment, start)


def _instant(segment: SegmentWork, column: int) -> float:
    return float(segment.instants(np.array([column]))[0])


def is_late(work: HeldWork, column: int, now: float) -> bool | None:
    """Whether a column is too late to be laid as if nothing had happened: its instant is more than a burst ago, and
    more than a stumble. None if it cannot be told from the work that is held."""
    if column >= work.run.end_column:
        return False
    instant = instant_of(work, column)
    if instant is not None:
        return now - instant > max(work.burst_s, STUMBLE_COLUMNS * work.column_s)
    # Not held itself, but if the sky is already in a later segment, its time is over.
    present = work.segment_at(now)
    return True if present is not None and present.first_column > column else None


def first_after(work: HeldWork, now: float) -> int | None:
    """The first column of the first burst whose instant is after now (POSIX seconds), at most the run's end; None if
    the work held does not reach so far."""
    last = work.segments[-1] if work.segments else None
    if last is not None and last.end_column == work.run.end_column and now >= last.knots[-1].timestamp():
        return work.run.end_column
    segment = work.segment_at(now)
    if segment is None:
        return None
    cadence = work.profile.columns_per_burst
    starts = np.arange(-(-segment.first_column // cadence) * cadence, segment.end_column, cadence)
    later = starts[segment.instants(starts) > now]
    # After the segment's last burst comes the first that begins at or after its end.
    start = int(later[0]) if later.size else -(-segment.end_column // cadence) * cadence
    return min(start, work.run.end_column)


def next_burst(work: HeldWork, column: int, position: int, cuts_due: Iterable[int]) -> Burst | None:
    """What to lay from a column on; None if it is not held, or past the run's end.

    Args:
        work: the work.
        column: the first column not accounted for.
        position: its place on the paper.
        cuts_due: paper positions at which the knife is to cut; the burst is split so that the paper stops there.
    """
    segment = work.segment_of(column)
    instant = instant_of(work, column)
    if segment is None or instant is None or column >= work.run.end_column:
        return None
    cadence = work.profile.columns_per_burst
    end = min(work.profile.burst_start(column) + cadence, segment.end_column, work.run.end_column)
    # Boundaries within the burst itself come to the knife within it only where the knife is that near.
    own = [boundary - column + work.profile.knife_columns for boundary in work.boundaries(column, end)]
    stops = [stop for stop in (*(due - position for due in cuts_due), *own) if stop > 0]
    end = min([end, *(column + stop for stop in stops)])
    return Burst(
        run=work.run.id, segment=segment.number, first_column=column, end_column=end, place=position, due=instant
    )


class CannotTell(DayrollError):
    """Something is missing, but the work held does not say how much; nothing may be printed until it does."""

    def __init__(self) -> None:
        super().__init__("the work that is held does not say how much is missing", "let it fetch work from the server")
