"""Folding the views again from the first event, beside the live ones, while the server goes on.

Each of a view's tables gets a temporary twin of the same name, which both engines find first, in this connection
only: so the same folds and the same rows write to the twins, and nobody else sees them. They are compared with the live
tables as both were at one instant. So far nobody waits; where all is equal, nothing more is to be done.

The twins of views that differ are laid beside the live ones as lasting tables. Then appending is held up for the moment
in which these change places with the live ones and the few newest facts are folded into them.

             events 1 ... n   compare   lay beside    change places, n+1 ... last
    ours     |==============|=========|=============|==|
    appends  . .  .   . .  .  .  ..  . .  .  . . .  . ...  .  .

Whoever ends it at any time finds the old views or the new ones; what stands beside them is taken away by the next one.
Within a transaction of the caller's, which has to keep others from appending, all of it is part of that.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from contextlib import ExitStack

from django.db import OperationalError, connections, transaction
from django.db.models import Q

from scheduling.log.ends import lock
from scheduling.log.event_records import facts
from scheduling.log.models import Snapshot
from scheduling.log.owners import Owners
from scheduling.log.projections import VIEWS, View
from scheduling.log.rebuilding.comparing import MOST_LEFT, Looked, Rebuilt, compare_all, look, require_none_closed
from scheduling.log.rebuilding.folding import Folding, Progress, catch_up
from scheduling.log.rebuilding.marks import mark, mark_broken, mark_passed
from scheduling.log.rebuilding.shadow_tables import Twins
from scheduling.log.rebuilding.standing_tables import Standing, standing
from scheduling.log.snapshots.dropping import drop
from scheduling.log.store import last_position

# Until the tables are tried to be put in place again, where somebody reads them or too many events came, seconds.
AGAIN_AFTER_S = 0.25
# PostgreSQL's words for a lock that was not had in time, and for two who wait for each other.
_TRY_AGAIN = ("55P03", "40P01")


def rebuild(
    *,
    views: Sequence[View] = VIEWS,
    swap: bool = True,
    using: str = "default",
    progress: Progress = lambda doing, done, of: None,
) -> list[Rebuilt]:
    """Fold views again, compare them with the live ones, and put right what differs.

    Args:
        views: which.
        swap: False only compares, and writes nothing.
        using: alias of the database; nothing else may use its connection meanwhile.
        progress: called now and then with what is being done, how far it is, and how far it has to go.

    Returns:
        What came of each view, in order.

    Raises:
        InputError: some differ, and on PostgreSQL whoever runs this does not own their tables.
        DayrollError: streams were closed into an archive, or another rebuild has begun, meanwhile.
    """
    foldings = [Folding(view, using) for view in views]
    twins = Twins([table for view in views for table in view.tables], using)
    if connections[using].in_atomic_block:
        with twins.made():
            return _within(foldings, twins, swap, using, progress)
    with ExitStack() as afterwards:
        with twins.made():
            looked = look(foldings, twins, using, progress)
            if not swap:
                return looked.results
            _mark_unchanged(foldings, looked, using)
            changing = [one for one in foldings if looked.is_to_change(one)]
            if not changing:
                if Snapshot.objects.using(using).exists():  # or nobody has to be waited for
                    drop(using=using)
                return looked.results
            ours = standing([table for one in changing for table in one.view.tables], using)
            ours.require_may()
            ours.clear()
            afterwards.callback(ours.clear)
            ours.fill(progress)
        _put_in_place(changing, looked, ours, using, progress)
    return looked.results_of(changing)


def _mark_unchanged(foldings: Sequence[Folding], looked: Looked, using: str) -> None:
    """Keep what was found of the views whose live tables stay: those that failed, and what is passed over."""
    for folding in foldings:
        passed = {(folding.view.name, one.fact.position) for one in folding.passed}
        if folding.failure is not None:
            with transaction.atomic(using=using, durable=True):
                lock(using)
                mark_broken(folding)
        elif not looked.is_to_change(folding) and passed != looked.passed_by(folding.view):
            with transaction.atomic(using=using, durable=True):
                lock(using)
                mark_passed(folding, through=looked.position)


def _put_in_place(changing: Sequence[Folding], looked: Looked, ours: Standing, using: str, progress: Progress) -> None:
    """Let the tables change places and fold the newest events into them. Where too many came meanwhile for one moment,
    some are folded, the tables change back, and others have their turn."""
    position, last = looked.position, -1
    while position != last:
        for folding in changing:
            folding.look_up()  # before others wait: to let go of many rows takes a while
        try:
            with transaction.atomic(using=using, durable=True):
                lock(using)
                require_none_closed(looked.closed, using)
                ours.exchange()
                last = last_position(using=using)
                reached = min(last, position + MOST_LEFT)
                _take_newest(changing, position, reached, using)
                if reached == last:
                    drop(using=using)  # they are folded from the same log, by what may have been mended
                    for folding in changing:
                        mark(folding, is_other=True)
                else:
                    ours.exchange()
        except OperationalError as error:
            if getattr(error.__cause__, "sqlstate", None) not in _TRY_AGAIN:
                raise
            last = -1
        else:
            position = reached
            progress("newest events folded", position, last)
        finally:
            ours.read_anew()
        if position != last:
            time.sleep(AGAIN_AFTER_S)


def _take_newest(changing: Sequence[Folding], position: int, last: int, using: str) -> None:
    """Fold the few events after a position: all are read in one question, whichever their kinds."""
    newest = list(facts(Q(position__lte=last), after=position, using=using))
    foreign = Owners(using).foreign(newest)
    for folding in changing:
        folding.take(newest, foreign)


def _within(foldings: Sequence[Folding], twins: Twins, swap: bool, using: str, progress: Progress) -> list[Rebuilt]:
    """All of it in the caller's transaction: rows that are equal are not touched."""
    lock(using)
    catch_up(foldings, 0, last_position(using=using), using, progress)
    results = compare_all(foldings, twins, progress)
    if swap:
        drop(using=using)
    for folding, result in zip(foldings, results, strict=True):
        if folding.failure is not None:
            mark_broken(folding)
        elif swap:
            for table in folding.view.tables:
                if result.differences:
                    twins.put_right(table)
            mark(folding, is_other=bool(result.differences))
    return results
