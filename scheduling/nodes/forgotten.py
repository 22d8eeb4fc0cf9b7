"""What shows that this server was put back from an older copy: a board tells again what was lost here, or tells of a
run that is not known here. Each is said once."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from datetime import datetime
from itertools import chain

from machines.protocol.messages import Retelling
from machines.protocol.upcasts import SPOILT
from machines.serialization import parse_instant
from scheduling.log import models
from scheduling.log.events import EVENT_KINDS
from scheduling.log.events.reports import EntriesToldAgain, RunNotKnown
from scheduling.nodes.journal_history import newest_told
from scheduling.nodes.received_entries import ToldEntry


def not_told_yet(machine: str, runs: Collection[str]) -> set[str]:
    """Of some runs that are not known here, those of which nobody was told that a machine tells of them."""
    if not runs:
        return set()
    said = models.Event.objects.filter(run__in=runs, kind=EVENT_KINDS[RunNotKnown], stream=f"machine/{machine}")
    return set(runs) - set(said.values_list("run", flat=True))


def run_not_known(machine: models.Machine, run: str, first: ToldEntry) -> RunNotKnown:
    """A machine tells of a run that is not known here, for the first time."""
    return RunNotKnown(run=run, since=first.at, zone=_zone(machine))


def retold(machine: models.Machine, retelling: Retelling, new: Iterable[ToldEntry]) -> EntriesToldAgain | None:
    """What was told again, when the last of it is taken; None while more is to come, or had come before.

    Args:
        machine: as it was before the new entries were taken.
        retelling: the numbers of what is told again.
        new: entries that are taken now.
    """
    last_part = [told for told in new if retelling.first <= told.seq <= retelling.through]
    if not last_part or last_part[-1].seq != retelling.through:
        return None
    before = newest_told(machine.id, max(0, machine.accepted_through - retelling.first + 1))
    count, instants, runs = 0, list[datetime](), set[str]()
    for entry in chain(before, (told.raw for told in last_part)):
        count += 1
        if entry["kind"] != SPOILT:  # of such a one nobody knows when it was, and of what
            instants.append(parse_instant(entry["at"]))
            runs |= {run} if isinstance(run := entry.get("run"), str) else set()
    return EntriesToldAgain(
        count=count,
        first_at=min(instants, default=last_part[-1].at),
        last_at=max(instants, default=last_part[-1].at),
        runs=tuple(sorted(runs)),
        zone=_zone(machine),
    )


def _zone(machine: models.Machine) -> str:
    return models.Venue.objects.get(id=machine.venue_id).zone
