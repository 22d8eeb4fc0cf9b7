"""Taking snapshots: by whoever works in the background, of what the log holds already, so that appending costs nothing.

When one is due stands in the log: whenever a machine's stream has so many more events, of the machine and of every run
that it told of among them. So the same log has the same snapshots, whoever takes them and whenever.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from datetime import datetime
from typing import NamedTuple

from django.db import transaction
from django.db.models import F, Q

from scheduling.log.claims import claimed
from scheduling.log.models import Event, Snapshot, SnapshotPart, SnapshotsTaken
from scheduling.log.projecting.folding import fold_passing_over
from scheduling.log.projecting.projector import FoldFailed
from scheduling.log.recorded import Recorded
from scheduling.log.rows.earlier_rows import EarlierRows
from scheduling.log.snapshots.dropping import drop, reach, taken
from scheduling.log.snapshots.parts import Parts, changed_parts
from scheduling.log.snapshots.program import program
from scheduling.log.snapshots.scopes import Scope, of_machine, of_run

logger = logging.getLogger(__name__)

# So many events of a machine lie between two snapshots: some days, where it reports each half hour.
EVERY = 128
# Through so much of the log is looked at a time.
LOOK_THROUGH = 20_000


class Due(NamedTuple):
    """An event after which snapshots are to be taken."""

    position: int
    stream: str
    version: int


def take_snapshots(
    *, has_time: Callable[[], bool] = lambda: True, every: int = EVERY, using: str = "default"
) -> int | None:
    """Take all snapshots that are due, as long as there is time.

    Args:
        has_time: whether to go on; asked after each event after which some are due.
        every: how many events of a machine lie between two.
        using: alias of the database; no transaction should be open.

    Returns:
        how many were taken; None where somebody else is at it.
    """
    with claimed("take-snapshots", using) as ours:
        if not ours:
            return None
        if taken(using=using).program != program():
            drop(program=program(), using=using)
        count = 0
        while (how_far := taken(using=using)).position < (last := _last(using)):
            if how_far.program != program():  # another server has begun meanwhile, of another version
                return count
            through = min(last, how_far.position + LOOK_THROUGH)
            for due in _due(how_far.position, through, every, using):
                made = _take(due, every, how_far, using)
                if made is None:
                    return count
                count += made
                if not has_time():
                    return count
            if not _keep(how_far, through, [], [], using):
                return count
        return count


def _last(using: str) -> int:
    return Event.objects.using(using).order_by("-position").values_list("position", flat=True).first() or 0


def _due(after: int, through: int, every: int, using: str) -> list[Due]:
    events = Event.objects.using(using).filter(position__gt=after, position__lte=through, stream__startswith="machine/")
    found = events.annotate(rest=F("version") % every).filter(rest=0).order_by("position")
    return [Due(*one) for one in found.values_list("position", "stream", "version")]


def _take(due: Due, every: int, how_far: SnapshotsTaken, using: str) -> int | None:
    """Take the snapshots that are due after an event; returns how many, None where all were dropped meanwhile."""
    told = Event.objects.using(using).filter(
        stream=due.stream, version__gt=due.version - every, version__lte=due.version, run__isnull=False
    )
    runs = told.order_by("run").values_list("run", flat=True).distinct()
    scopes = [
        (of_machine(due.stream.partition("/")[2]), due.version),
        *((of_run(run), due.position) for run in runs if run),
    ]
    snapshots, parts = [], list[SnapshotPart]()
    for scope, place in scopes:
        try:
            snapshot, changed = _folded(scope, place, using)
        except FoldFailed as failure:  # nobody is told anything of it, as long as its fold is not mended
            logger.warning("no snapshot of %s is taken: %s", scope.name, failure)
            continue
        snapshots.append(snapshot)
        parts += changed
    return len(snapshots) if _keep(how_far, due.position, snapshots, parts, using) else None


def _folded(scope: Scope, place: int, using: str) -> tuple[Snapshot, list[SnapshotPart]]:
    """A snapshot of a scope at a place, and the parts that changed since the one before; nothing is kept yet."""
    of_scope = Snapshot.objects.using(using).filter(scope=scope.name, place__lt=place, program=program())
    before = of_scope.order_by("-place").first()
    since = 0 if before is None else before.place
    found: list[Recorded] = []

    def reading(kinds: Iterable[str]) -> Iterable[Recorded]:
        found[:] = scope.facts(Q(), frozenset(kinds), after=since, through=place, using=using)
        return found

    rows = fold_passing_over(scope.views, reading, lambda: EarlierRows(using, Parts(scope.name, since, using)), using)
    earlier = (None, None) if before is None else (before.happened_by, before.said_by)
    happened, said = [fact.happened_at for fact in found], [fact.said_at for fact in found]
    snapshot = Snapshot(
        scope=scope.name,
        place=place,
        since=since,
        program=program(),
        happened_by=_latest(happened, earlier[0]),
        said_by=_latest(said, earlier[1]),
        happened_from=min(happened, default=None),
        said_from=min(said, default=None),
    )
    return snapshot, changed_parts(scope.name, place, rows, using)


def _latest(instants: Iterable[datetime], before: datetime | None) -> datetime | None:
    return max([*instants, *([] if before is None else [before])], default=None)


def _keep(
    how_far: SnapshotsTaken, position: int, snapshots: list[Snapshot], parts: list[SnapshotPart], using: str
) -> bool:
    """Keep snapshots, and that they are taken up to a position; not where others took or dropped some meanwhile."""
    with transaction.atomic(using=using):
        now = taken(lock=True, using=using)
        if (now.program, now.position, now.dropped) != (how_far.program, how_far.position, how_far.dropped):
            return False
        Snapshot.objects.using(using).bulk_create(snapshots)
        SnapshotPart.objects.using(using).bulk_create(parts)
        reach(now, position, using)
    how_far.position = position
    return True
