"""What a machine's boards have told so far, read back from the machine's stream of the log."""

from __future__ import annotations

from collections.abc import Mapping
from typing import get_args

from django.db.models import QuerySet

from machines.entries import Entry
from machines.structure import parse_instant
from machines.wire import Taken
from scheduling.log import models
from scheduling.log.events import NAMES, NodeEnrolled, from_data

ENTRY_KINDS = tuple(NAMES[cls] for cls in get_args(Entry))
# A board that missed more enrolments than this is told nothing, and takes its own journal for unfit.
MOST_EPOCHS = 8


def entries_taken(machine: str, first: int, end: int, accepted_through: int) -> Mapping[int, Entry]:
    """Entries of the newest journal that were taken before, by number.

    Args:
        machine: id.
        first, end: numbers wanted, the end excluded.
        accepted_through: number of the newest entry that was taken, as known to the caller. If more were taken in the
            meantime, some of the oldest wanted may be missing in the answer.
    """
    newest_first = _entries(machine).order_by("-version")
    rows = newest_first[accepted_through - end + 1 : accepted_through - first + 1]
    told = (from_data(row.kind, row.schema, row.data) for row in rows)
    return {entry.seq: entry for entry in told if isinstance(entry, Entry)}


def taken_of_earlier(machine: str) -> tuple[Taken, ...]:
    """How much is there of the journals of a machine's earlier epochs, the newest first."""
    enrolments = models.Event.objects.filter(stream=f"machine/{machine}", kind=NAMES[NodeEnrolled])
    found, end = [], None
    for enrolled in enrolments.order_by("-version")[: MOST_EPOCHS + 1]:
        of_epoch = _entries(machine).filter(version__gt=enrolled.version)
        last = (of_epoch if end is None else of_epoch.filter(version__lt=end)).order_by("-version").first()
        if last is not None:
            at = parse_instant(last.data["at"])
            found.append(Taken(epoch=enrolled.data["epoch"], through=last.data["seq"], at=at))
        end = enrolled.version
    return tuple(found)


def _entries(machine: str) -> QuerySet[models.Event]:
    return models.Event.objects.filter(stream=f"machine/{machine}", kind__in=ENTRY_KINDS)
