"""What a machine's boards have told so far, read back from the machine's stream of the log."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, get_args

from django.db.models import QuerySet

from machines.protocol.journal_entries import Entry
from machines.protocol.messages import JournalPosition
from machines.serialization import parse_instant
from scheduling.log import models
from scheduling.log.events import EVENT_KINDS
from scheduling.log.events.reports import EntryReadInPart, EntrySetAside, EntryToldTwice, PrintedByEarlierPlan
from scheduling.log.events.server import NodeEnrolled
from scheduling.nodes.received_entries import read_told

# These hold an entry as it was told; with the others they make one event for each entry that was taken.
WHOLE = tuple(EVENT_KINDS[cls] for cls in (EntrySetAside, EntryToldTwice, PrintedByEarlierPlan))
ENTRY_KINDS = (*(EVENT_KINDS[cls] for cls in get_args(Entry)), *WHOLE)
# How many journals a board is told of. Enrolments whose board told nothing do not count, however many: a board whose
# answers are lost again and again on the way is enrolled as often, and has to learn what was taken of it all the same.
MOST_EPOCHS = 8


def entries_taken(machine: str, first: int, end: int, accepted_through: int) -> Mapping[int, Entry | Mapping[str, Any]]:
    """Entries of the newest journal that were taken before, by number: as they are understood today, whatever was
    understood of them when they were told; as they were told, where they are not.

    Args:
        machine: id.
        first, end: numbers wanted, the end excluded.
        accepted_through: number of the newest entry that was taken, as known to the caller. If more were taken in the
            meantime, some of the oldest wanted may be missing in the answer.
    """
    newest_first = _entries(machine).order_by("-version")
    rows = list(newest_first[accepted_through - end + 1 : accepted_through - first + 1])
    told = {_seq(row): _as_told(row) for row in rows}
    if rows:
        told |= _read_in_part(machine, rows[-1].version, rows[0].version)
    return {seq: read_told(raw).meant for seq, raw in told.items()}


def _read_in_part(machine: str, first: int, last: int) -> dict[int, dict[str, Any]]:
    """Entries that were not taken to the last word, as they were told. Those of versions from a first to a last; the
    word on an entry stands behind it, and before the next entry."""
    kind, stream = EVENT_KINDS[EntryReadInPart], f"machine/{machine}"
    rows = models.Event.objects.filter(stream=stream, kind=kind, version__gt=first)
    following = _entries(machine).filter(version__gt=last).order_by("version").first()
    if following is not None:
        rows = rows.filter(version__lt=following.version)
    return {row.data["seq"]: row.data["entry"] for row in rows}


def _as_told(row: models.Event) -> dict[str, Any]:
    """What an event that stands for an entry says that the node told."""
    if row.kind in WHOLE:
        return dict(row.data["entry"])
    return dict(row.data) if row.schema == 1 else row.data | {"schema": row.schema}


def _seq(row: models.Event) -> int:
    return int(row.data["seq"])


def taken_of_earlier(machine: str) -> tuple[JournalPosition, ...]:
    """How much is there of the journals of a machine's earlier epochs, the newest first."""
    enrolments = models.Event.objects.filter(stream=f"machine/{machine}", kind=EVENT_KINDS[NodeEnrolled])
    found: list[JournalPosition] = []
    last = _entries(machine).order_by("-version").first()
    while last is not None and len(found) < MOST_EPOCHS:
        enrolled = enrolments.filter(version__lt=last.version).order_by("-version").first()
        if enrolled is None:
            break
        said = _read_in_part(machine, last.version, last.version).get(_seq(last), _as_told(last))
        found.append(JournalPosition(epoch=enrolled.data["epoch"], through=_seq(last), at=parse_instant(said["at"])))
        last = _entries(machine).filter(version__lt=enrolled.version).order_by("-version").first()
    return tuple(found)


def newest_told(machine: str, count: int) -> Iterator[dict[str, Any]]:
    """So many of the newest entries that were taken of a machine's boards, as they were told, the newest first. They
    may be very many, and are read a part at a time."""
    return map(_as_told, _entries(machine).order_by("-version")[:count].iterator())


def _entries(machine: str) -> QuerySet[models.Event]:
    return models.Event.objects.filter(stream=f"machine/{machine}", kind__in=ENTRY_KINDS)
