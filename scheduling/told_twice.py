"""What lies on the paper and was told before, under another number.

A journal that lost what it wrote last knows columns that it laid, and no more that it has told of them. Enrolled again,
it tells of them once more; they lie on the paper once, and use paper and ink once.
"""

from __future__ import annotations

from django.db.models import F

from machines.entries import ColumnsPrinted
from scheduling.log.models import Machine, PrintedStretch
from scheduling.told import Doubt


def told_twice(machine: Machine, entry: object) -> Doubt | None:
    """Why an entry is not counted; None if it is no word of columns, or has a column in a place that was not told yet.

    Args:
        machine: that tells it, as the views have it.
        entry: what is understood of it.
    """
    # Within one journal every entry has a number of its own, by which it is known.
    if not isinstance(entry, ColumnsPrinted) or machine.epoch == 1:
        return None
    told = PrintedStretch.objects.filter(
        machine_id=machine.id,
        run_id=entry.run,
        first_column__lte=entry.columns.first,
        end_column__gte=entry.columns.end,
        paper_position=entry.paper_position - entry.columns.first + F("first_column"),
    )
    if not told.exists():
        return None
    return Doubt(field="columns", problem="told before, of the same place on the paper")
