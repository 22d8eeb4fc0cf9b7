"""Folding new facts into the live views, within the transaction that appends them.

A view that cannot take an entry of a node's journal goes on without that entry, and is marked so: no word of one board
may stop what everybody needs. A view whose fold fails on any other event is set aside with that event, and the facts
are kept all the same: the log is the truth, and the view can be folded again when the fold is mended. The other views
go on. What a machine tells of another machine's run is taken by none (`scheduling.log.owners`).
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass

from django.db import InterfaceError, OperationalError, transaction

from machines.errors import DayrollError
from machines.protocol.journal_entries import Entry
from scheduling.log import batched_sql, models
from scheduling.log.models import BrokenView
from scheduling.log.owners import Owners
from scheduling.log.projections import VIEWS, View
from scheduling.log.recorded import Recorded
from scheduling.log.rows.row_cache import Rows

# Asked at every append, where Django's queries take too long.
BROKEN: batched_sql.Statement = ("SELECT view FROM log_brokenview", ())

logger = logging.getLogger(__name__)


class FoldFailed(DayrollError):
    """A view could not take a fact.

    Attributes:
        view: which.
        fact: on which fact it failed.
        why: what its fold, or the database, said.
    """

    def __init__(self, view: View, fact: Recorded, error: Exception) -> None:
        self.why = f"{type(error).__name__}: {error}"
        super().__init__(
            f"the view {view.name!r} failed on event {fact.position} ({fact.stream} version {fact.version},"
            f" {fact.kind}): {self.why}"
        )
        self.view = view
        self.fact = fact


class ViewsSetAside(DayrollError):
    """What was asked for needs views that are set aside."""

    def __init__(self, views: Collection[str]) -> None:
        super().__init__(
            f"set aside: {', '.join(sorted(views))}",
            "nothing that needs them is written until the fold is mended and `dayroll log rebuild` has run",
        )
        self.views = tuple(sorted(views))


@dataclass(frozen=True)
class PassedEntry:
    """An entry that a view went on without."""

    view: View
    fact: Recorded
    why: str


def fold_live(facts: Sequence[Recorded], *, broken: Collection[str], owners: Owners, using: str) -> list[PassedEntry]:
    """Fold facts into every live view that they change, except those set aside; all together, as nearly always works.

    Args:
        facts: in order.
        broken: names of the views that are set aside.
        owners: of the runs that they are about.
        using: alias of the database.

    Returns:
        nothing that was passed over: see `fold_apart`.

    Raises:
        FoldFailed: a view could not take a fact; the transaction has to be rolled back.
        OperationalError, InterfaceError: the database cannot work now; that is no fault of a view.
    """
    foreign = owners.foreign(facts)
    folded = []
    for view, mine in _changing(facts, broken):
        rows = Rows(using)
        fold_facts(view, mine, rows, foreign)
        folded.append((view, mine, rows))
    if folded:
        _write(folded, using)
    return []


def fold_apart(facts: Sequence[Recorded], *, broken: Collection[str], owners: Owners, using: str) -> list[PassedEntry]:
    """As `fold_live`, each view by itself: where that fails, a view goes on without the entries that it cannot take,
    and is set aside where it fails on anything else.

    Returns:
        what was passed over.

    Raises:
        OperationalError, InterfaceError: the database cannot work now; that is no fault of a view.
    """
    foreign, passed = owners.foreign(facts), list[PassedEntry]()
    for view, mine in _changing(facts, broken):
        try:
            passed += fold_passing_over(view, mine, lambda: Rows(using), foreign, using)
        except FoldFailed as failure:
            _set_aside(failure, using)
    for one in passed:
        mark_passed_entry(one, using)
    return passed


def fold_passing_over(
    view: View, facts: Sequence[Recorded], rows: Callable[[], Rows], foreign: Collection[int], using: str
) -> list[PassedEntry]:
    """Fold facts one by one and write their rows, and go on without the entries that the view cannot take.

    Args:
        view: which.
        facts: in order.
        rows: gives rows that hold nothing yet.
        foreign: positions of those about other machines' runs, of which a view takes only that they were told.
        using: alias of the database.

    Returns:
        what was passed over.

    Raises:
        FoldFailed: the view could not take something else than an entry.
    """
    passed = []
    for fact in facts:
        try:
            _fold_one(view, fact, rows(), foreign, using)
        except FoldFailed as failure:
            if not isinstance(fact.event, Entry):
                raise
            passed.append(PassedEntry(view, fact, failure.why))
            _fold_one(view, fact, rows(), {fact.position}, using)
    return passed


def _fold_one(view: View, fact: Recorded, rows: Rows, passed: Collection[int], using: str) -> None:
    with transaction.atomic(using=using):
        fold_facts(view, [fact], rows, passed)
        write_rows(view, [fact], rows)


def broken_views(*, using: str) -> set[str]:
    """Names of the views that are set aside."""
    (found,) = batched_sql.run([BROKEN], using=using)
    return {name for (name,) in found}


def require_views(*names: str, using: str = "default") -> None:
    """See that none of some views is set aside, before anything is decided by them.

    Raises:
        ViewsSetAside: some are.
    """
    if broken := broken_views(using=using) & set(names):
        raise ViewsSetAside(broken)


def require_kept(events: Iterable[object], broken: Collection[str]) -> None:
    """See that no event is about to be written that a view which is set aside would have to take: whoever ordered it
    would be told that it is done and not see it, and a job would do it again and again.

    Raises:
        ViewsSetAside: one is.
    """
    if not broken:
        return
    kinds = {type(event) for event in events}
    if aside := {view.name for view in VIEWS if view.name in broken and kinds & view.folds.keys()}:
        raise ViewsSetAside(aside)


def fold_facts(view: View, facts: Sequence[Recorded], rows: Rows, passed: Collection[int] = ()) -> None:
    """Fold facts into rows of a view.

    Args:
        view: which.
        facts: in order.
        rows: of the view.
        passed: positions of the entries of which the view takes only that they were told.

    Raises:
        FoldFailed: names the fact.
        OperationalError, InterfaceError: the database cannot work now; that is no fault of the view.
    """
    folds = view.folds
    for fact in facts:
        try:
            if passed and fact.position in passed:
                view.take_number(rows, fact, fact.event)
            else:
                folds[type(fact.event)](rows, fact, fact.event)
        except (OperationalError, InterfaceError):
            raise
        except Exception as error:
            raise FoldFailed(view, fact, error) from error


def write_rows(view: View, facts: Sequence[Recorded], rows: Rows) -> None:
    """Write the rows of a view that facts were folded into.

    Raises:
        FoldFailed: the database refused the rows; names the last of the facts.
        OperationalError, InterfaceError: the database cannot work now; that is no fault of the view.
    """
    try:
        rows.write()
    except (OperationalError, InterfaceError):
        raise
    except Exception as error:
        raise FoldFailed(view, facts[-1], error) from error


def mark_passed_entry(passed: PassedEntry, using: str) -> None:
    """Keep for good that a view goes on without an entry."""
    logger.error("The view %r goes on without event %d: %s", passed.view.name, passed.fact.position, passed.why)
    models.PassedOverEntry.objects.using(using).update_or_create(
        view=passed.view.name, position=passed.fact.position, defaults={"problem": passed.why}
    )


def _changing(facts: Sequence[Recorded], broken: Collection[str]) -> Iterator[tuple[View, list[Recorded]]]:
    """The views that facts change, with those that do."""
    kinds = {type(fact.event) for fact in facts}
    for view in VIEWS:
        if view.name not in broken and (mine := kinds & view.folds.keys()):
            yield view, [fact for fact in facts if type(fact.event) in mine]


def _write(folded: Sequence[tuple[View, list[Recorded], Rows]], using: str) -> None:
    """Write the rows of all views together.

    Raises:
        FoldFailed: the database refused some; it names the first view, and whichever it was is found out apart.
    """
    try:
        batched_sql.run([one for _, _, rows in folded for one in rows.statements()], using=using)
    except (OperationalError, InterfaceError):
        raise
    except Exception as error:
        view, facts, _ = folded[0]
        raise FoldFailed(view, facts[-1], error) from error


def _set_aside(failure: FoldFailed, using: str) -> None:
    logger.error("A view is set aside; mend its fold, then run `dayroll log rebuild`: %s", failure, exc_info=failure)
    BrokenView.objects.using(using).create(view=failure.view.name, position=failure.fact.position, problem=str(failure))
