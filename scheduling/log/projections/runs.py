"""The view of runs: what is planned, what lies where on the paper, and what became of every column."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

from machines.protocol.journal_entries import ColumnsPrinted, StripCut
from machines.protocol.messages import SegmentWork
from machines.serialization import unstructure
from scheduling.log.codec.digest import instant_text
from scheduling.log.events.plans import RunChanged, RunContinued, RunHeld, RunPlanned, RunWithdrawn, SegmentsPlanned
from scheduling.log.events.reports import PrintedByEarlierPlan
from scheduling.log.models import NO_RUN, PrintedStretch, Run, Segment, Strip
from scheduling.log.outcomes import Interval, Outcome, clipped, counts, follow, outside, with_interval
from scheduling.log.projections.reprints import no_longer_again
from scheduling.log.projections.shifts import place
from scheduling.log.projections.told_before import keep
from scheduling.log.recorded import Recorded
from scheduling.log.rows.row_cache import Rows


def run_planned(rows: Rows, fact: Recorded, event: RunPlanned) -> None:
    """A run without segments yet."""
    recesses = [unstructure(one) | {"by": fact.actor} for one in event.recesses]
    rows.put(Run, id=fact.subject, holds=recesses, **_said(event))
    for stretch in rows.change_where(PrintedStretch, run_id=fact.subject):
        if stretch.machine_id != event.machine or stretch.version in event.without:  # told before, and not of this run
            stretch.run_id = NO_RUN


def run_changed(rows: Rows, fact: Recorded, event: RunChanged) -> None:
    """It is this now, and nothing of it is planned yet."""
    run = rows.change(Run, fact.subject)
    if run is None:
        return
    rows.drop(Segment, run_id=run.id)
    run.drawn_columns = run.drawn_dots = 0
    for name, value in _said(event).items():
        setattr(run, name, value)
    run.ends, run.ended_at, run.ended_remark = [], None, None
    run.revision += 1
    run.formed = run.revision
    run.changed_at = fact.happened_at


def _said(event: RunPlanned | RunChanged) -> dict[str, Any]:
    """What a run is by the event that says all of it, field by field of its row."""
    return {
        "machine_id": event.machine,
        "source_id": event.source,
        "profile": event.profile,
        "profile_version": event.profile_version,
        "source_version": event.source_version,
        "succeeds": event.succeeds,
        "cycle": event.cycle,
        "cycle_options": event.cycle_options,
        "segments_per_turn": event.segments_per_turn,
        "strips_per_turn": event.strips_per_turn,
        "starts_at": event.starts_at,
        "ends_at": event.ends_at,
        "first_column": event.first_column,
        "end_column": event.end_column,
        "policy": unstructure(event.policy),
        "nozzle_seed": event.nozzle_seed,
        "mean_turn_s": event.mean_turn_s,
        "only_while_open": event.only_while_open,
        "planned_to_column": event.first_column,
    }


def printed_by_earlier_plan(rows: Rows, fact: Recorded, event: PrintedByEarlierPlan) -> None:
    """It lies on the paper, and is of no run: what it was of is not so any more."""
    _lay(rows, fact, event, NO_RUN)


def _lay(rows: Rows, fact: Recorded, event: ColumnsPrinted | PrintedByEarlierPlan, run: str) -> PrintedStretch:
    return rows.put(
        PrintedStretch,
        machine_id=fact.subject,
        version=fact.version,
        run_id=run,
        segment=event.segment,
        first_column=event.columns.first,
        end_column=event.columns.end,
        paper_position=event.paper_position,
        at=event.at,
        worst_miss_s=event.worst_miss_s,
    )


def run_withdrawn(rows: Rows, fact: Recorded, event: RunWithdrawn) -> None:
    """Its row and its segments stay, marked: a board that does not know of it may print them yet."""
    if (run := rows.change(Run, fact.subject)) is not None:
        run.withdrawn_at = fact.happened_at
        run.withdrawn_remark = event.remark
        run.revision += 1


def run_held(rows: Rows, fact: Recorded, event: RunHeld | RunContinued) -> None:
    """Its recesses are these now; each stays whose it was."""
    if (run := rows.change(Run, fact.subject)) is not None:
        known = {one["starts_at"]: one["by"] for one in run.holds}
        held = [unstructure(one) for one in event.recesses]
        run.holds = [one | {"by": known.get(one["starts_at"], fact.actor)} for one in held]
        run.revision += 1


def segments_planned(rows: Rows, fact: Recorded, event: SegmentsPlanned) -> None:
    """Segments; outcomes that were told ahead of them find their columns now."""
    run = rows.change(Run, fact.subject)
    if run is None:
        return
    dots = event.dots or [None] * len(event.segments)
    planned = [_plan(rows, run, work, of_work) for work, of_work in zip(event.segments, dots, strict=True)]
    ahead = run.ahead
    wait(run, [])
    for first, end, outcome in ahead:
        spread(run, planned, Interval(first, end, outcome), fact.happened_at)


def _plan(rows: Rows, run: Run, work: SegmentWork, dots: int | None) -> Segment:
    """A segment as planned now; planned before, it keeps what became of its columns."""
    if work.first_column < run.planned_to_column:
        return plan_anew(rows, run, work, dots)
    return _placed(run, rows.put(Segment, run_id=run.id, number=work.number), work, dots)


def plan_anew(rows: Rows, run: Run, work: SegmentWork, dots: int | None = None) -> Segment:
    """A segment that may have been planned otherwise before."""
    known = rows.change(Segment, (run.id, work.number))
    return _placed(run, known or rows.put(Segment, run_id=run.id, number=work.number), work, dots)


def _placed(run: Run, segment: Segment, work: SegmentWork, dots: int | None) -> Segment:
    if segment.dots is not None:
        run.drawn_columns -= segment.end_column - segment.first_column
        run.drawn_dots -= segment.dots
    if dots is not None:
        run.drawn_columns += work.end_column - work.first_column
        run.drawn_dots += dots
    segment.dots = dots
    segment.first_column = work.first_column
    segment.end_column = work.end_column
    segment.starts_at = work.knots[0]
    segment.ends_at = work.knots[-1]
    segment.knots = [instant_text(knot) for knot in work.knots]
    segment.plate = work.plate
    if run.shifts:
        place(run, segment)
    if work.end_column > run.planned_to_column:
        run.planned_to_column = work.end_column
    return segment


def columns_printed(rows: Rows, fact: Recorded, event: ColumnsPrinted) -> None:
    """Columns lie on the paper: where, and whose outcome that is."""
    stretch = _lay(rows, fact, event, event.run)
    run = rows.change(Run, event.run)
    if run is None:
        keep(rows, fact, event)
        return
    place, end = event.paper_position, event.paper_position + event.columns.end - event.columns.first
    run.paper_from = place if run.paper_from is None else min(run.paper_from, place)
    run.paper_to = end if run.paper_to is None else max(run.paper_to, end)
    printed = Interval(event.columns.first, event.columns.end, "printed")
    run.repeated += no_longer_again(rows, run, printed.first, printed.end)
    # A board prints in order: for what lies behind it does not come back, as its journal lost that it was to.
    no_longer_again(rows, run, run.first_column, printed.first)
    segment = rows.change(Segment, (run.id, event.segment))
    if segment is not None:
        worst_s = segment.worst_miss_s or 0.0
        segment.worst_miss_s = event.worst_miss_s if abs(event.worst_miss_s) > abs(worst_s) else worst_s
        whole = (segment.first_column, segment.end_column) == (printed.first, printed.end)
        if whole and segment.dots is not None:
            stretch.dots = segment.dots
            run.laid_dots += segment.dots
    if segment is not None and segment.first_column <= printed.first and printed.end <= segment.end_column:
        _account_for(run, segment, printed, event.at)
    else:
        account(rows, run, printed, event.at)


def strip_cut(rows: Rows, fact: Recorded, event: StripCut) -> None:
    """The knife came to a boundary. Of a run that nobody has planned it is not known whose it is."""
    if rows.find(Run, event.run) is None:
        keep(rows, fact, event)
        return
    rows.put(
        Strip,
        run_id=event.run,
        boundary=event.boundary,
        paper_position=event.paper_position,
        made=event.made,
        why=event.why or "",
        at=event.at,
    )


def account(rows: Rows, run: Run, interval: Interval, at: datetime) -> None:
    """Give columns of the run their outcome in whatever segments hold them."""
    interval = clipped(interval, run.first_column, run.longest_column)
    if interval.first < interval.end:
        holding = {"first_column__lt": interval.end, "end_column__gt": interval.first}
        spread(run, rows.change_where(Segment, run_id=run.id, **holding), interval, at)


def spread(run: Run, segments: Sequence[Segment], interval: Interval, at: datetime) -> None:
    """Give columns their outcome in segments that are in order; the rest waits until it is planned."""
    for segment in segments:
        _account_for(run, segment, clipped(interval, segment.first_column, segment.end_column), at)
    for part in outside(interval, [(segment.first_column, segment.end_column) for segment in segments]):
        _wait_too(run, part)


def wait(run: Run, ahead: Sequence[Interval]) -> None:
    """Outcomes wait for segments that hold their columns; beyond the run's end they may do so for ever."""
    run.beyond += beyond(ahead, run.end_column) - beyond(run.ahead, run.end_column)
    run.ahead = [list(one) for one in ahead]


def _wait_too(run: Run, part: Interval) -> None:
    """One more outcome waits; behind very many that do already, it costs no more than the first."""
    if run.ahead and part.first < run.ahead[-1][1]:
        wait(run, with_interval([Interval(*one) for one in run.ahead], part))
        return
    run.beyond += beyond([part], run.end_column)
    follow(run.ahead, part)


def beyond(ahead: Iterable[Any], end: int) -> int:
    """How many columns lie on the paper from an end on, by some outcomes."""
    return sum(max(0, last - max(first, end)) for first, last, outcome in ahead if outcome == "printed")


def _account_for(run: Run, segment: Segment, interval: Interval, at: datetime) -> None:
    """Give columns of one segment their outcome, and count."""
    outcomes = segment.outcomes
    if not outcomes or outcomes[-1][1] <= interval.first:  # as nearly always
        follow(outcomes, interval)
        _count(run, segment, interval.outcome, interval.end - interval.first)
    else:
        recount(run, segment, with_interval([Interval(*one) for one in outcomes], interval))
    conclude(segment, at)


def recount(run: Run, segment: Segment, laid: Sequence[Interval]) -> None:
    """Give a segment other outcomes, and count anew."""
    segment.outcomes = [list(one) for one in laid]
    for outcome, columns in counts(laid).items():
        _count(run, segment, outcome, columns - getattr(segment, outcome))


def conclude(segment: Segment, at: datetime) -> None:
    """What may be said of a segment as a whole, after its outcomes changed at an instant."""
    if segment.state == Segment.WITHDRAWN:
        return
    columns = segment.end_column - segment.first_column
    finished = segment.printed + segment.skipped + segment.unknown == columns
    segment.state = _state(segment, finished)
    if not finished:
        segment.finished_at = None
    elif segment.finished_at is None:
        segment.finished_at = at


def _count(run: Run, segment: Segment, outcome: Outcome, more: int) -> None:
    """So many more columns of a segment have an outcome; of one that was withdrawn, beyond the run's end."""
    if segment.state == Segment.WITHDRAWN:
        setattr(segment, outcome, getattr(segment, outcome) + more)
        run.beyond += more if outcome == "printed" else 0
        return
    if outcome == "printed":
        segment.printed += more
        run.printed += more
    elif outcome == "skipped":
        segment.skipped += more
        run.skipped += more
    else:
        segment.unknown += more
        run.unknown += more


def _state(segment: Segment, finished: bool) -> str:
    if not finished:
        return Segment.PRINTING if segment.outcomes else Segment.PLANNED
    columns = segment.end_column - segment.first_column
    if segment.printed == columns:
        return Segment.PRINTED
    return Segment.LEFT_OUT if segment.skipped == columns else Segment.PARTLY
