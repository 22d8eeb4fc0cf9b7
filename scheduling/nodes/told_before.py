"""What a machine told of a run before the run was planned: held against the run when it is.

A server that was put back from an older copy does not know the newest runs. What machines tell of them is taken as a
fact, and checked as far as it can be without the run; the rest of the checks comes here.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime

from machines.errors import InputError
from machines.model.profile import Profile
from machines.protocol.journal_entries import Entry, GapSettled
from scheduling.log.events import Event
from scheduling.log.events.plans import RunPlanned
from scheduling.log.events.reports import EntryPassedOver
from scheduling.log.models import Run
from scheduling.log.store import Append, read
from scheduling.nodes.entry_bounds import SLACK, DoesNotFit, EntryContext, require_possible
from scheduling.nodes.known_runs import context_of_run
from scheduling.nodes.reports import LONGEST_SAID
from scheduling.nodes.settlement_check import differing
from scheduling.queries.runs import as_planned


def planning(id: str, planned: RunPlanned, profile: Profile, now: datetime) -> list[Append]:
    """What is written when a run is planned: the run, without what was told of it and cannot be of it, and what is said
    of that, and of gaps that would have been settled otherwise here. To be appended where nobody else can append.

    Args:
        id: of the run.
        planned: the run.
        profile: the model of its machine.
        now: UTC.
    """
    run = as_planned(id, planned)
    # Once for all of them: nobody can append meanwhile, and there may be very many.
    context = context_of_run(run, EntryContext(now=now, may_be_ahead=SLACK, profile=profile))
    without, said = list[int](), list[Event]()
    for fact in read(streams=[f"machine/{planned.machine}"], run=id):
        if isinstance(fact.event, Entry):
            doubt = _doubt(fact.event, context)
            without += [] if doubt is None else [fact.version]
            said += _said(fact.event, run, profile, doubt)
    appends = [Append(f"run/{id}", 0, [replace(planned, without=tuple(without))])]
    return [*appends, Append(f"machine/{planned.machine}", None, said)] if said else appends


def _doubt(entry: Entry, context: EntryContext) -> str | None:
    """Why an entry cannot be of the run; None where it can."""
    try:
        require_possible(entry, context)
    except (InputError, DoesNotFit) as error:
        return str(error)
    return None


def _said(entry: Entry, run: Run, profile: Profile, doubt: str | None) -> Iterator[Event]:
    if doubt is not None:
        yield EntryPassedOver(seq=entry.seq, view="runs", problem=doubt[:LONGEST_SAID])
    elif isinstance(entry, GapSettled):
        yield from differing(entry, run, profile)
