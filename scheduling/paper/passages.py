"""When a place of the picture comes round: the next several times, and on a given day.

As in `scheduling.paper.next_passage`, a place is laid with its burst, and what is told is the plan.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime
from itertools import islice

from django.db.models import QuerySet

from machines.errors import InputError
from scheduling.log.models import Run
from scheduling.paper.next_passage import Passage, PassageQuery, on_run, phase_of, runs_not_over, told
from scheduling.queries.machine_context import MachineContext
from scheduling.queries.runs import runs_standing


def coming_passages(context: MachineContext, query: PassageQuery, most: int) -> list[Passage]:
    """The next times at or after an instant that a machine's runs have a place of their picture under the head.

    Args:
        context: the machine, at this instant.
        query: which place; a run whose picture and cycle have none such is passed over.
        most: how many times at most.
    """
    return list(islice(_passages(context, query, runs_not_over(context), context.now, most), most))


def passages_between(
    context: MachineContext, query: PassageQuery, begins: datetime, ends: datetime, most: int
) -> list[Passage]:
    """The times that a place is laid from one instant to another, UTC, past or to come; the end is excluded.

    Args:
        context, query, most: as in `coming_passages`.
        begins, ends: for example of a day.
    """
    # One more, as the first may be laid with a burst of before.
    found = _passages(context, query, runs_between(context, begins, ends), begins, most + 1)
    within = (one for one in found if begins <= one.laid.begins_at < ends)
    return list(islice(within, most))


def runs_between(context: MachineContext, begins: datetime, ends: datetime) -> QuerySet[Run]:
    """A machine's runs, with their sources, of which some part lies between two instants, in order of time."""
    runs = runs_standing(context.machine.id).filter(starts_at__lt=ends, ends_at__gt=begins)
    return runs.order_by("starts_at", "id").select_related("source")


def _passages(
    context: MachineContext, query: PassageQuery, runs: Iterable[Run], start: datetime, most: int
) -> Iterator[Passage]:
    """Of each run so many at most, from an instant on."""
    for run in runs:
        on = on_run(context, run)
        try:
            phase, stands = phase_of(run, on.profile, query)
        except InputError:
            continue
        for found in on.coming(phase, max(start, run.starts_at), most):
            yield told(on, query, phase, stands, found)
