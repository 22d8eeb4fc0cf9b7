"""Folding new facts into the live views, within the transaction that appends them.

A view whose fold fails is set aside with the event that it failed on, and the facts are kept all the same: the log is
the truth, and the view can be folded again when the fold is mended. The other views go on.
"""

from __future__ import annotations

import logging
from collections.abc import Collection, Sequence

from django.db import InterfaceError, OperationalError, transaction

from scheduling.log import trips
from scheduling.log.folds import VIEWS, View
from scheduling.log.models import BrokenView
from scheduling.log.recorded import Recorded
from scheduling.log.rows import Rows

# Asked at every append, where Django's queries take too long.
BROKEN: trips.Statement = ("SELECT view FROM log_brokenview", ())

logger = logging.getLogger(__name__)


class FoldFailed(Exception):
    """A view could not take a fact.

    Attributes:
        view: which.
        fact: on which fact it failed.
    """

    def __init__(self, view: View, fact: Recorded, error: Exception) -> None:
        super().__init__(
            f"the view {view.name!r} failed on event {fact.position} ({fact.stream} version {fact.version},"
            f" {fact.kind}): {type(error).__name__}: {error}"
        )
        self.view = view
        self.fact = fact


def fold_live(facts: Sequence[Recorded], *, broken: Collection[str], using: str) -> None:
    """Fold facts into every live view that they change, except those set aside.

    Args:
        facts: in order.
        broken: names of the views that are set aside.
        using: alias of the database.

    Raises:
        OperationalError, InterfaceError: the database cannot work now; that is no fault of a view.
    """
    changes = [(view, mine) for view in VIEWS if (mine := _changing(view, facts))]
    folded = []
    for view, mine in changes:
        if view.name not in broken:
            rows = Rows(using)
            try:
                fold_facts(view, mine, rows)
                folded.append((view, mine, rows))
            except FoldFailed as failure:
                _set_aside(failure, using)
    if folded:
        _write(folded, using)


def broken_views(*, using: str) -> set[str]:
    """Names of the views that are set aside."""
    (found,) = trips.run([BROKEN], using=using)
    return {name for (name,) in found}


def fold_facts(view: View, facts: Sequence[Recorded], rows: Rows) -> None:
    """Fold facts into rows of a view.

    Raises:
        FoldFailed: names the fact.
        OperationalError, InterfaceError: the database cannot work now; that is no fault of the view.
    """
    for fact in facts:
        try:
            view.folds[type(fact.event)](rows, fact, fact.event)
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


def _changing(view: View, facts: Sequence[Recorded]) -> list[Recorded]:
    return [fact for fact in facts if type(fact.event) in view.folds]


def _write(folded: Sequence[tuple[View, list[Recorded], Rows]], using: str) -> None:
    """Write the rows of all views together; where the database refuses them, each view apart to see which it is."""
    saved = False
    try:
        statements = [one for _, _, rows in folded for one in rows.statements()]
        saved = True
        trips.run([("SAVEPOINT log_views", ()), *statements, ("RELEASE SAVEPOINT log_views", ())], using=using)
    except (OperationalError, InterfaceError):
        raise
    except Exception:  # noqa: BLE001 - whatever it is, the views apart will show it
        if saved:
            trips.run([("ROLLBACK TO SAVEPOINT log_views", ())], using=using)
        for view, mine, _ in folded:
            _write_apart(view, mine, using)


def _write_apart(view: View, facts: Sequence[Recorded], using: str) -> None:
    rows = Rows(using)
    try:
        with transaction.atomic(using=using):
            fold_facts(view, facts, rows)
            write_rows(view, facts, rows)
    except FoldFailed as failure:
        _set_aside(failure, using)


def _set_aside(failure: FoldFailed, using: str) -> None:
    logger.error("A view is set aside; mend its fold, then run `dayroll log rebuild`: %s", failure, exc_info=failure)
    BrokenView.objects.using(using).create(view=failure.view.name, position=failure.fact.position, problem=str(failure))
