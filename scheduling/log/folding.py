"""Folding new facts into the live views, within the transaction that appends them.

A view whose fold fails is set aside with the event that it failed on, and the facts are kept all the same: the log is
the truth, and the view can be folded again when the fold is mended. The other views go on.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence

from django.db import InterfaceError, OperationalError, transaction

from scheduling.log.folds import VIEWS, View
from scheduling.log.models import BrokenView
from scheduling.log.recorded import Recorded
from scheduling.log.rows import Rows

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


def fold_live(facts: Sequence[Recorded], *, using: str) -> None:
    """Fold facts into every live view that they change, except those set aside."""
    broken = set(BrokenView.objects.using(using).values_list("view", flat=True))
    for view in VIEWS:
        changing = [fact for fact in facts if type(fact.event) in view.folds]
        if changing and view.name not in broken:
            _fold_or_set_aside(view, changing, using)


def fold_into(view: View, facts: Sequence[Recorded], rows: Rows) -> None:
    """Fold facts into rows of a view and write them.

    Raises:
        FoldFailed: names the fact; where the database refused the rows together, the last of them.
        OperationalError, InterfaceError: the database cannot work now; that is no fault of the view.
    """
    fact = facts[-1]
    try:
        for fact in facts:
            view.folds[type(fact.event)](rows, fact, fact.event)
        rows.write()
    except (OperationalError, InterfaceError):
        raise
    except Exception as error:
        raise FoldFailed(view, fact, error) from error


def _fold_or_set_aside(view: View, facts: Sequence[Recorded], using: str) -> None:
    try:
        with transaction.atomic(using=using):
            fold_into(view, facts, Rows(using))
    except FoldFailed as failure:
        logger.exception("A view is set aside; mend its fold, then run `dayroll log rebuild`")
        BrokenView.objects.using(using).create(view=view.name, position=failure.fact.position, problem=str(failure))
