"""What a machine prints at this moment: the column that is due, and where the head is if it prints late."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from machines.model.profile import Profile
from machines.protocol.recesses import Recess
from scheduling.log.models import Heartbeat, Run, Segment
from scheduling.queries.machine_context import MachineContext
from scheduling.queries.runs import segment_work
from scheduling.venues.run_recesses import recess_of


@dataclass(frozen=True, eq=False)
class PrintingNow:
    """A run that a machine is on, or that is its next.

    Attributes:
        run: which.
        segment: that belongs under the head now; None where none is planned for now.
        due: the running column that does; None likewise.
        head: the running column that the node said it lays next, if it is late; None where it is not.
        recess: in which it is: nothing is laid, and nothing late. None for none.
        plate: digest of the plate of the segment, or else of the run's first; None while nothing is planned.
    """

    run: Run
    segment: Segment | None
    due: int | None
    head: int | None
    plate: str | None
    recess: Recess | None = None

    @property
    def has_begun(self) -> bool:
        """Whether a column is due now."""
        return self.due is not None


def printing_now(context: MachineContext) -> PrintingNow | None:
    """What a machine prints; None where it is on no run and has none to come."""
    run, segment = context.run_or_next, context.segment_now
    if run is None:
        return None
    due = None if segment is None else due_column(segment, context.now)
    recess = recess_of(run, context.venue, context.now)
    return PrintingNow(
        run=run,
        segment=segment,
        due=due,
        head=None if due is None or recess is not None else _late_head(context, run, due),
        plate=context.group.first_plates.get(run.id) if segment is None else segment.plate,
        recess=recess,
    )


def _late_head(context: MachineContext, run: Run, due: int) -> int | None:
    return late_head(run, context.model_of(run), context.heartbeat, due, context.now)


def due_column(segment: Segment, now: datetime) -> int:
    """The running column of a segment whose instant was the last to come."""
    work = segment_work(segment)
    waited = segment.ends_at - work.knots[-1]
    columns = np.arange(work.first_column, work.end_column)
    passed = int(np.searchsorted(work.instants(columns), (now - waited).timestamp(), side="right"))
    return work.first_column + max(passed - 1, 0)


def late_head(run: Run, profile: Profile, heartbeat: Heartbeat | None, due: int, now: datetime) -> int | None:
    """Where the head was when it was last heard of, if that was more than a burst behind what was due then.

    Args:
        run: that is printed.
        profile: of the machine.
        heartbeat: the newest word of its node; None for none.
        due: the running column that is due now.
        now: this instant, UTC.
    """
    told = None if heartbeat is None else heartbeat.status.get("next_column")
    if heartbeat is None or told is None or not run.first_column <= told < run.end_column:
        return None
    since = (now - heartbeat.heard_at).total_seconds() * profile.columns_per_turn / run.mean_turn_s
    behind = profile.burst_start(due - round(since)) - told
    return int(told) if behind > 2 * profile.columns_per_burst + 1 else None
