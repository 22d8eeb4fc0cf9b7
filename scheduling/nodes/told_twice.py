"""What lies on the paper and was told before, under another number.

A journal that lost what it wrote last knows columns that it laid, and no more that it has told of them. Enrolled again,
it tells of them once more; they lie on the paper once, and use paper and ink once. So it is with an outage.
"""

from __future__ import annotations

from django.db import DEFAULT_DB_ALIAS

from machines.model.profile import Profile
from machines.protocol.journal_entries import ColumnsPrinted, GapSettled
from machines.serialization import unstructure
from scheduling.log.models import Machine, Outage, PrintedStretch
from scheduling.log.outcomes import Interval, outside
from scheduling.log.rows.row_sql import table
from scheduling.nodes.received_entries import EntryDoubt


def told_twice(machine: Machine, profile: Profile, entry: object) -> EntryDoubt | None:
    """Why an entry is not counted; None if it is no word of columns or of an outage, or has a column in a place that
    was not told yet, in however many pieces, or is another outage.

    Args:
        machine: that tells it, as the views have it.
        profile: of the machine.
        entry: what is understood of it.
    """
    # Within one journal every entry has a number of its own, by which it is known.
    if machine.epoch == 1:
        return None
    if isinstance(entry, GapSettled):
        return _outage_told(machine, entry)
    if not isinstance(entry, ColumnsPrinted):
        return None
    columns, place = entry.columns, entry.paper_position
    # A stretch lies in one segment, so none is longer than a turn: of a long history only what lies near is read.
    near = table(PrintedStretch, DEFAULT_DB_ALIAS).where(
        "machine_id = %s AND paper_position > %s AND paper_position < %s AND run_id = %s"
        " AND paper_position - first_column = %s ORDER BY first_column",
        *(machine.id, place - profile.columns_per_turn, place + len(columns), entry.run, place - columns.first),
    )
    told = [(one.first_column, one.end_column) for one in near]
    if outside(Interval(columns.first, columns.end, "printed"), told):
        return None
    return EntryDoubt(field="columns", problem="told before, of the same place on the paper")


def _outage_told(machine: Machine, entry: GapSettled) -> EntryDoubt | None:
    """An outage that counted again would take back what was told of its columns since."""
    gap = unstructure(entry.gap)
    if any(one.gap == gap for one in Outage.objects.filter(machine=machine.id, run=entry.run)):
        return EntryDoubt(field="gap", problem="told before, as the same outage")
    return None
