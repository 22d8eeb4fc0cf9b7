"""The view of runs, when a run is planned: with what was told of it before."""

from __future__ import annotations

from typing import Any

from machines.protocol.journal_entries import ColumnsPrinted, GapSettled, StripCut
from scheduling.log.events.plans import RunPlanned
from scheduling.log.projections import gaps, runs
from scheduling.log.projections.shifts import may_wait
from scheduling.log.projections.told_before import told_before
from scheduling.log.recorded import Recorded
from scheduling.log.rows.row_cache import Rows

_FOLDS: dict[type[Any], Any] = {
    ColumnsPrinted: runs.columns_printed,
    GapSettled: gaps.gap_settled,
    StripCut: runs.strip_cut,
}


def run_planned(rows: Rows, fact: Recorded, event: RunPlanned) -> None:
    """A run without segments yet; outcomes of its columns that were told before wait for them as any that are told
    ahead of the plan."""
    runs.run_planned(rows, fact, event)
    for told in told_before(rows, fact, event):
        if not isinstance(told.event, GapSettled) or may_wait(event.cycle, told.event.decision.shift_s):
            _FOLDS[type(told.event)](rows, told, told.event)
