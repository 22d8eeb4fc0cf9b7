"""Folding facts into rows in memory, for a question of how things were."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from typing import TypeVar

from django.db import InterfaceError, OperationalError
from django.db.models import Model, Q

from machines.protocol.journal_entries import Entry
from scheduling.log.event_records import facts
from scheduling.log.events import EVENT_KINDS
from scheduling.log.garbage import held_back
from scheduling.log.moment import AsOf
from scheduling.log.owners import Owners
from scheduling.log.projecting.projector import FoldFailed
from scheduling.log.projections import Fold, View, views_of
from scheduling.log.recorded import Recorded
from scheduling.log.rows.earlier_rows import EarlierRows
from scheduling.log.rows.row_cache import Rows
from scheduling.log.snapshots.heads import facts_after, newest_usable, stands
from scheduling.log.snapshots.parts import Parts
from scheduling.log.snapshots.scopes import Scope

Answer = TypeVar("Answer")
SomeRows = TypeVar("SomeRows", bound=Rows)
# Gives the facts of some kinds that count, in order.
Reading = Callable[[Collection[str]], Iterable[Recorded]]


def answered(
    wanted: Sequence[type[Model]], scope: Scope, moment: AsOf, read: Callable[[Rows], Answer], *, using: str
) -> Answer:
    """What is read of the rows of a run or a machine as they were, folded from a snapshot where there is one.

    Args:
        wanted: tables.
        scope: whose facts count.
        moment: and which of them.
        read: gives the answer, of rows of the views that hold the wanted tables.
        using: alias of the database.
    """
    views = views_of(wanted)
    snapshot = newest_usable(scope, moment, using)
    if snapshot is not None:
        failure = None
        try:
            answer = read(
                fold_passing_over(
                    views,
                    lambda kinds: facts_after(snapshot, scope, moment, kinds, using),
                    lambda: EarlierRows(using, Parts(scope.name, snapshot.place, using)),
                    using,
                )
            )
        except FoldFailed as error:
            failure = error
        if stands(snapshot, using):
            if failure is not None:
                raise failure
            return answer
    # There is none, or it was dropped while it was read: then from the first fact.
    return read(
        fold_passing_over(
            views,
            lambda kinds: scope.facts(moment.counts, kinds, using=using),
            lambda: Rows(using, complete=True),
            using,
        )
    )


def folded(wanted: Sequence[type[Model]], where: Q, *, stream: str | None = None, using: str = "default") -> Rows:
    """Rows in memory of the views that hold the wanted tables, folded from the facts that a condition chooses.

    Args:
        wanted: tables.
        where: which facts; see `scheduling.log.models.Event`.
        stream: only of this stream; None for all.
        using: alias of the database.
    """
    return fold_passing_over(
        views_of(wanted),
        lambda kinds: facts(where, stream=stream, kinds=kinds, using=using),
        lambda: Rows(using, complete=True),
        using,
    )


def fold_passing_over(
    views: Sequence[View], reading: Reading, rows_before: Callable[[], SomeRows], using: str
) -> SomeRows:
    """Fold facts into rows of views, each of which goes on without the entries that it cannot take, as a live one does.

    Args:
        views: which.
        reading: gives the facts.
        rows_before: gives rows as they were before the first of them; anew whenever it is asked.
        using: alias of the database.

    Raises:
        FoldFailed: a view could not take something else than an entry.
    """
    passed: dict[str, set[int]] = {view.name: set() for view in views}
    while True:
        rows = rows_before()
        try:
            with held_back():
                _fold(views, reading, rows, passed, using)
        except FoldFailed as failure:
            if not isinstance(failure.fact.event, Entry):
                raise
            passed[failure.view.name].add(failure.fact.position)  # and once more without it
        else:
            return rows


def _fold(
    views: Sequence[View], reading: Reading, rows: Rows, passed: Mapping[str, Collection[int]], using: str
) -> None:
    folds: dict[type, list[tuple[View, Fold, Collection[int]]]] = {}
    for view in views:
        for kind, fold in view.folds.items():
            folds.setdefault(kind, []).append((view, fold, passed[view.name]))
    owners = Owners(using)
    for fact in reading({EVENT_KINDS[kind] for kind in folds}):
        event, is_foreign = fact.event, owners.is_foreign(fact)
        for view, fold, without in folds[type(event)]:
            try:
                (view.take_number if is_foreign or fact.position in without else fold)(rows, fact, event)
            except (OperationalError, InterfaceError):
                raise
            except Exception as error:
                raise FoldFailed(view, fact, error) from error
