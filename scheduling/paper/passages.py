"""When a place of the picture comes round: the next several times, and on a given day.

As in `scheduling.paper.next_passage`, a place is laid with its burst, and what is told is the plan.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from itertools import islice

from django.db.models import QuerySet

from machines.errors import InputError
from machines.protocol.recesses import recess_at
from scheduling.log.models import Run
from scheduling.paper.next_passage import Passage, PassageQuery, on_run, phase_of, runs_not_over
from scheduling.paper.passage_times import passage_times, passages_of
from scheduling.queries.machine_context import MachineContext
from scheduling.queries.runs import recesses_of, runs_standing
from scheduling.venues.run_recesses import recesses_closed

# Where a run rests, so many times at most are looked at for those at which it does not.
MOST_LOOKED_AT = 60


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
    found = _passages(context, query, runs_between(context, begins, ends), begins, most + 1, ends)
    within = (one for one in found if begins <= one.laid.begins_at)
    return list(islice(within, most))


def laid_passages(context: MachineContext, query: PassageQuery, most: int) -> tuple[list[Passage], list[Passage]]:
    """The next times that a place is laid, as far as people have said, and those at which its run rests instead.

    Those are told up to the last at which it is laid; all that were looked at where fewer were found than are wanted.

    Args:
        context, query: as in `coming_passages`.
        most: how many times at most that it is laid; where runs rest, so many are looked for among the next
            `MOST_LOOKED_AT` times that it is due.
    """
    for looked_at in (most, MOST_LOOKED_AT):
        found = coming_passages(context, query, looked_at)
        rests = resting(context, found)
        if not any(rests):
            break
    laid = [one for one, is_resting in zip(found, rests, strict=True) if not is_resting][:most]
    at_rest = [one for one, is_resting in zip(found, rests, strict=True) if is_resting]
    return laid, [one for one in at_rest if len(laid) < most or one.at < laid[-1].at]


def resting(context: MachineContext, found: Sequence[Passage]) -> list[bool]:
    """Of each of several passages of a machine, in order of time, whether nothing is laid then, as people hold its run
    or its venue is closed."""
    recesses = {}
    for id, run in Run.objects.in_bulk({one.run for one in found}).items():
        spans = [one.laid for one in found if one.run == id]
        closed = recesses_closed(run, context.venue, spans[0].begins_at, spans[-1].ends_at)
        recesses[id] = (*recesses_of(run), *closed)
    return [recess_at(recesses[one.run], one.laid.begins_at) is not None for one in found]


def runs_between(context: MachineContext, begins: datetime, ends: datetime) -> QuerySet[Run]:
    """A machine's runs, with their sources, of which some part lies between two instants, in order of time."""
    runs = runs_standing(context.machine.id).filter(starts_at__lt=ends, ends_at__gt=begins)
    return runs.order_by("starts_at", "id").select_related("source")


def _passages(
    context: MachineContext,
    query: PassageQuery,
    runs: Iterable[Run],
    start: datetime,
    most: int,
    ends: datetime | None = None,
) -> Iterator[Passage]:
    """Of each run so many at most, from an instant on; where an end is given, none that is laid at it or later."""
    for run in runs:
        on = on_run(context, run)
        try:
            phase, stands = phase_of(run, on.profile, query)
        except InputError:
            continue
        times = passage_times(on, phase, max(start, run.starts_at), most, ends)
        for passage in passages_of(on, query, phase, stands, times):
            if ends is not None and passage.laid.begins_at >= ends:
                break
            yield passage
