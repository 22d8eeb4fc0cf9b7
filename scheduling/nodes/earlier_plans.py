"""What a board tells of a run by the plan before people changed it: true of the paper, and none of the run as it is.

A board that hears of the change lets go of the plan before, and tells all that it printed by that, before it takes up
the new one: so from the first word of the new one on, nothing that it tells is of the one before.
"""

from __future__ import annotations

from collections.abc import Iterator

from machines.protocol.journal_entries import ColumnsPrinted, Entry, FeedCorrected, SlipMeasured
from machines.protocol.messages import Status
from machines.serialization import structure_lenient
from scheduling.log import models
from scheduling.log.events import EVENT_KINDS, Event
from scheduling.log.events.plans import RunMovedAway
from scheduling.log.events.reports import EntrySetAside, PrintedByEarlierPlan
from scheduling.log.models import Heartbeat, Machine, Outage, PrintedStretch, Run
from scheduling.nodes.received_entries import ToldEntry

# What the paper did counts whatever it was moved by.
_OF_THE_PAPER = (SlipMeasured, FeedCorrected)


def is_earlier(run: Run, machine: Machine, status: Status | None) -> bool:
    """Whether what a machine's board tells of a run is of the plan before.

    Args:
        run: as it is now.
        machine: whose board tells it.
        status: how the board said with it that it is; None where it did not say.
    """
    if run.machine_id != machine.id:
        return True
    if run.formed == 1 or _knows(status, run):
        return False
    heard = Heartbeat.objects.filter(machine_id=machine.id).first()
    if heard is not None and heard.status and _knows(structure_lenient(heard.status, Status), run):
        return False
    of_it = {"run_id": run.id, "machine_id": machine.id}
    return not any(told.objects.filter(**of_it).exists() for told in (PrintedStretch, Outage))


def was_here(run: str, machine: Machine) -> bool:
    """Whether a run was ever moved from a machine to another, so that its board may tell of it yet, however late."""
    moved = models.Event.objects.filter(run=run, kind=EVENT_KINDS[RunMovedAway], stream=f"machine/{machine.id}")
    return moved.exists()


def of_earlier_plan(told: ToldEntry, entry: Entry) -> Iterator[Event]:
    """What is written down of an entry by the plan before: columns that lie on the paper, what the paper did, and
    anything else as it was told."""
    if isinstance(entry, ColumnsPrinted):
        yield PrintedByEarlierPlan(
            seq=told.seq,
            entry=dict(told.raw),
            at=entry.at,
            was=entry.run,
            segment=entry.segment,
            columns=entry.columns,
            paper_position=entry.paper_position,
            worst_miss_s=entry.worst_miss_s,
        )
    elif isinstance(entry, _OF_THE_PAPER):
        yield entry
    else:
        problem = "told of the run by the plan before it was changed"
        yield EntrySetAside(seq=told.seq, entry=dict(told.raw), field="run", problem=problem)


def _knows(status: Status | None, run: Run) -> bool:
    """Whether a board says that it holds a run as it is now, to print it now or next; an older program does not say
    what it holds."""
    if status is None:
        return False
    if (then := status.following) is not None and then.run == run.id and then.revision >= run.formed:
        return True
    if status.held_run is None:
        return status.held_until is not None
    return status.held_run == run.id and (status.held_revision or 0) >= run.formed
