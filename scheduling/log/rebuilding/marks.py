"""What is kept of how a view stands once it was folded again; all within the transaction that lets nobody append."""

from __future__ import annotations

from django.db.models import F

from scheduling.log.models import BrokenView, FoldedAgain, PassedOverEntry
from scheduling.log.projecting.projector import mark_passed_entry
from scheduling.log.rebuilding.folding import Folding


def mark(folding: Folding, *, is_other: bool) -> None:
    """That a view goes on, or how far it came.

    Args:
        folding: of the view.
        is_other: whether its rows are others than before.
    """
    name, using = folding.view.name, folding.using
    if is_other:
        FoldedAgain.objects.using(using).get_or_create(view=name)
        FoldedAgain.objects.using(using).filter(view=name).update(times=F("times") + 1)
    mark_passed(folding)
    if folding.failure is not None:
        mark_broken(folding)
    else:
        BrokenView.objects.using(using).filter(view=name).delete()


def mark_broken(folding: Folding) -> None:
    """That a view is set aside with the event on which it failed."""
    if folding.failure is not None:
        problem = {"position": folding.failure.fact.position, "problem": str(folding.failure)}
        BrokenView.objects.using(folding.using).update_or_create(view=folding.view.name, defaults=problem)


def mark_passed(folding: Folding, *, through: int | None = None) -> None:
    """The entries that a view goes on without, up to a position or all."""
    marked = PassedOverEntry.objects.using(folding.using).filter(view=folding.view.name)
    (marked if through is None else marked.filter(position__lte=through)).delete()
    for one in folding.passed:
        mark_passed_entry(one, folding.using)
