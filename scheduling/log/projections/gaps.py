"""The view of runs, when columns are missing: what becomes of them, and of the timeline.

What is printed late stays due until it is printed. A later gap takes over what an earlier one said of the same columns:
what was left out may be due after all, and what was to be printed once more may not be. Nor is what lies behind a gap:
a board that goes on there has lost what its journal said of it.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from machines.protocol.journal_entries import GapSettled
from machines.recovery import Columns, Decision
from scheduling.log.models import Run, Segment
from scheduling.log.outcomes import Interval, outside
from scheduling.log.projections.reprints import ask_again, no_longer_again
from scheduling.log.projections.runs import account, conclude, recount
from scheduling.log.projections.shifts import shift_from
from scheduling.log.projections.told_before import keep
from scheduling.log.recorded import Recorded
from scheduling.log.rows.row_cache import Rows


def gap_settled(rows: Rows, fact: Recorded, event: GapSettled) -> None:
    """Columns that were left out or are unknown have their outcome; those that are printed late are due."""
    run = rows.change(Run, event.run)
    if run is None:
        keep(rows, fact, event)
        return
    gap, decision = event.gap, event.decision
    for columns in _late(decision):
        _due_after_all(rows, run, columns, event.at)
    account(rows, run, Interval(decision.unknown.first, decision.unknown.end, "unknown"), event.at)
    account(rows, run, Interval(decision.skipped.first, decision.skipped.end, "skipped"), event.at)
    no_longer_again(rows, run, run.first_column, run.end_column)
    for columns in _late(decision):
        ask_again(rows, run, columns)
    if decision.shift_s:
        shift_from(rows, run, decision.shifted.first if decision.shifted else gap.end, decision.shift_s)


def _late(decision: Decision) -> tuple[Columns, ...]:
    return decision.again, decision.finished, decision.replayed, decision.shifted


def _due_after_all(rows: Rows, run: Run, columns: Columns, at: datetime) -> None:
    """What an earlier gap left out is to be printed after all."""
    if not columns:
        return
    holding = {"first_column__lt": columns.end, "end_column__gt": columns.first}
    for segment in rows.change_where(Segment, run_id=run.id, **holding):
        recount(run, segment, _not_left_out(segment.outcomes, columns))
        conclude(segment, at)
    run.ahead = [list(one) for one in _not_left_out(run.ahead, columns)]


def _not_left_out(outcomes: Iterable[Any], columns: Columns) -> list[Interval]:
    kept: list[Interval] = []
    for interval in (Interval(*one) for one in outcomes):
        is_left_out = interval.outcome == "skipped"
        kept += outside(interval, [(columns.first, columns.end)]) if is_left_out else [interval]
    return kept
