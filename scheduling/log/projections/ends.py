"""The view of runs, when people give a run another end: what is planned beyond it is withdrawn, and may stand again."""

from __future__ import annotations

from machines.protocol.messages import SegmentWork
from scheduling.log.events.plans import RunEnded
from scheduling.log.models import Run, Segment
from scheduling.log.outcomes import Interval, clipped, outside
from scheduling.log.projections.reprints import no_longer_again
from scheduling.log.projections.runs import conclude, plan_anew, recount, spread, wait
from scheduling.log.projections.shifts import waited_before
from scheduling.log.recorded import Recorded
from scheduling.log.rows.row_cache import Rows


def run_ended(rows: Rows, fact: Recorded, event: RunEnded) -> None:
    """What became of columns beyond the end is kept, and counts again where the run is lengthened."""
    run = rows.change(Run, fact.subject)
    if run is None:
        return
    before = run.end_column
    no_longer_again(rows, run, event.end_column, run.longest_column)
    waiting = [Interval(*one) for one in run.ahead]
    wait(run, [])  # counted anew below, by the new end
    run.ends = [*run.ends, before]
    run.end_column = event.end_column
    run.ends_at = event.ends_at + waited_before(run, event.end_column)
    run.ended_at = fact.happened_at
    run.ended_remark = event.remark
    run.followed_by = event.followed_by
    run.revision += 1
    wait(run, waiting)
    for segment in rows.change_where(Segment, run_id=run.id, end_column__gt=min(before, event.end_column)):
        _withdraw(run, segment, fact)
    for work in event.segments:
        segment = plan_anew(rows, run, work)
        outcomes = [Interval(*one) for one in segment.outcomes]
        recount(run, segment, [one for part in outcomes if (one := _within(part, work)).first < one.end])
        conclude(segment, fact.happened_at)
        beyond = [one for part in outcomes for one in outside(part, [(work.first_column, work.end_column)])]
        waiting = [*beyond, *(Interval(*one) for one in run.ahead)]
        wait(run, [])
        for part in waiting:
            spread(run, [segment], part, fact.happened_at)


def _within(part: Interval, work: SegmentWork) -> Interval:
    return clipped(part, work.first_column, work.end_column)


def _withdraw(run: Run, segment: Segment, fact: Recorded) -> None:
    """A segment beyond the end is withdrawn, and one that was stands again before it."""
    is_beyond = segment.first_column >= run.end_column
    if is_beyond == (segment.state == Segment.WITHDRAWN):
        return
    outcomes = [Interval(*one) for one in segment.outcomes]
    recount(run, segment, [])
    segment.state = Segment.WITHDRAWN if is_beyond else Segment.PLANNED
    segment.finished_at = None
    recount(run, segment, outcomes)
    conclude(segment, fact.happened_at)
