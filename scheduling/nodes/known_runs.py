"""What is known here of what a batch of reports tells of, read once for all of its entries."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from django.db import DEFAULT_DB_ALIAS

from machines.model.profile import Profile
from machines.protocol.journal_entries import ColumnsPrinted, Entry
from machines.recovery import Columns
from scheduling.log.models import Machine, Run
from scheduling.log.rows.row_sql import table
from scheduling.nodes.earlier_plans import is_earlier
from scheduling.nodes.entry_bounds import SLACK, EntryContext, columns_of_segments
from scheduling.nodes.received_entries import Batch, ToldEntry
from scheduling.queries.run_versions import run_profiles
from scheduling.queries.runs import machine_model

# A node that is less sure of the time than this does not know it, and prints nothing by it.
MOST_ERROR_S = 86400.0


@dataclass(frozen=True)
class Known:
    """What entries are held against.

    Attributes:
        machine: that tells them.
        named: ids of the runs that they name.
        runs: those of them that are known here, by id.
        earlier: of which of these it tells by the plan before people changed it.
        context: of an entry that is about no run that is planned now.
        contexts: of those about each of the others, by the run's id.
        segments: the columns of the segments that they name, by the run's id and the segment's number.
    """

    machine: Machine
    named: frozenset[str]
    runs: Mapping[str, Run]
    earlier: frozenset[str]
    context: EntryContext
    contexts: Mapping[str, EntryContext]
    segments: Mapping[str, Mapping[int, Columns]]

    def context_for(self, entry: Entry, run: Run | None) -> EntryContext:
        """What an entry is judged by.

        Args:
            entry: what is understood of it.
            run: that it is about; None where it is held against none.
        """
        if run is None:
            return self.context
        context = self.contexts[run.id]
        if isinstance(entry, ColumnsPrinted):
            return replace(context, segment_columns=self.segments[run.id].get(entry.segment))
        return context


def known_of(machine: Machine, batch: Batch, new: Collection[ToldEntry], now: datetime) -> Known:
    """What is known of what new entries of a machine's batch tell of, now, UTC."""
    named = {run for told in new if (run := getattr(told.entry, "run", None)) is not None}
    error_s = batch.status.clock_error_s if batch.status is not None else None
    model = machine_model(machine.profile_id)
    runs = {run: row for run in sorted(named) if (row := table(Run, DEFAULT_DB_ALIAS).find(run)) is not None}
    profiles = run_profiles([row for row in runs.values() if row.machine_id == machine.id], machine, model)
    earlier = frozenset(run for run, row in runs.items() if is_earlier(row, machine, batch.status))
    profiles = {run: profile for run, profile in profiles.items() if run not in earlier}
    may_be_ahead = SLACK + timedelta(seconds=min(max(error_s or 0.0, 0.0), MOST_ERROR_S))
    context = EntryContext(now=now, may_be_ahead=may_be_ahead, profile=model.profile)
    return Known(
        machine=machine,
        named=frozenset(named),
        runs=runs,
        earlier=earlier,
        context=context,
        contexts={run: context_of_run(runs[run], replace(context, profile=one)) for run, one in profiles.items()},
        segments={run: _segments(runs[run], new, one) for run, one in profiles.items()},
    )


def context_of_run(run: Run, context: EntryContext) -> EntryContext:
    """What an entry about a run is judged by. A node prints while its time is as sure as the machine's profile asks,
    which a slow run asks less of."""
    tolerance_s = context.profile.clock_tolerance_dots * run.mean_turn_s / context.profile.columns_per_turn
    return replace(context, run=run, may_be_ahead=context.may_be_ahead + timedelta(seconds=tolerance_s))


def _segments(run: Run, new: Collection[ToldEntry], profile: Profile) -> Mapping[int, Columns]:
    printed = (told.entry for told in new if isinstance(told.entry, ColumnsPrinted))
    return columns_of_segments(run, sorted({entry.segment for entry in printed if entry.run == run.id}), profile)
