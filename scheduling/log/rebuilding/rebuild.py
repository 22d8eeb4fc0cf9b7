"""Folding the views again from the first event, beside the live ones, while the server goes on.

Each of a view's tables gets a temporary twin of the same name, which both engines find first, in this connection
only: so the same folds and the same rows write to the twins, and nobody else sees them. Only at the end is appending
held up, for as long as it takes to fold the newest facts, to compare, and to put right what differs.

             events 1 ... n        n+1 ... last   compare   put right
    twins    |=====================|==============|=========|========|
    appends  . .  .   . .  .  .  ..|............ wait ...............| .  .
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, field

from django.db import transaction
from django.db.models import F, Q

from scheduling.log.ends import lock
from scheduling.log.event_records import facts
from scheduling.log.events import EVENT_KINDS
from scheduling.log.garbage import held_back
from scheduling.log.models import BrokenView, FoldedAgain, PassedOverEntry
from scheduling.log.owners import Owners
from scheduling.log.projecting.projector import (
    FoldFailed,
    PassedEntry,
    fold_facts,
    fold_passing_over,
    mark_passed_entry,
    write_rows,
)
from scheduling.log.projections import VIEWS, View
from scheduling.log.rebuilding.shadow_tables import Difference, Twins
from scheduling.log.recorded import Recorded
from scheduling.log.rows.row_cache import Rows
from scheduling.log.snapshots.dropping import drop
from scheduling.log.store import last_position

# So many facts are folded before their rows are written and progress is told.
BATCH = 5000
# Above so many rows in memory they are let go of, and looked up again when they are needed.
MOST_ROWS = 200_000


@dataclass(frozen=True)
class Rebuilt:
    """What came of a view.

    Attributes:
        view: its name.
        rows: how many rows it has, folded again.
        differences: between its live tables and those folded again; none when all is well.
        failure: why it could not be folded; its live tables were left alone.
        entries_passed_over: how many entries of nodes it could not take, and goes on without.
    """

    view: str
    rows: int = 0
    entries_passed_over: int = 0
    differences: tuple[Difference, ...] = ()
    failure: str | None = None

    @property
    def equal(self) -> bool:
        """Whether the live view was what the log says."""
        return self.failure is None and not self.differences


@dataclass
class _Folding:
    """A view on its way through the log."""

    view: View
    using: str
    rows: Rows = field(init=False)
    failure: FoldFailed | None = None
    passed: list[PassedEntry] = field(default_factory=list)
    kinds: tuple[str, ...] = field(init=False)

    def __post_init__(self) -> None:
        self.rows = Rows(self.using, complete=True)
        self.kinds = tuple(EVENT_KINDS[event] for event in self.view.folds)

    def take(self, facts: Sequence[Recorded], foreign: Collection[int]) -> None:
        """Fold what concerns the view, unless it failed before."""
        changing = [fact for fact in facts if type(fact.event) in self.view.folds]
        if changing and self.failure is None:
            try:
                with transaction.atomic(using=self.using):  # one for all rows, and not one for each
                    fold_facts(self.view, changing, self.rows, foreign)
                    write_rows(self.view, changing, self.rows)
            except FoldFailed:
                self._take_singly(changing, foreign)
            self.rows.let_go(MOST_ROWS)

    def _take_singly(self, facts: Sequence[Recorded], foreign: Collection[int]) -> None:
        """Without the entries that the view cannot take. The rows in memory are half changed: those written count."""
        self.rows = Rows(self.using)
        try:
            self.passed += fold_passing_over(self.view, facts, lambda: Rows(self.using), foreign, self.using)
        except FoldFailed as failure:
            self.failure = failure


def rebuild(
    *,
    views: Sequence[View] = VIEWS,
    swap: bool = True,
    using: str = "default",
    progress: Callable[[int, int], None] = lambda position, last: None,
) -> list[Rebuilt]:
    """Fold views again, compare them with the live ones, and put right what differs.

    Args:
        views: which.
        swap: False only compares.
        using: alias of the database; nothing else may use its connection meanwhile, and no transaction may be open.
        progress: called now and then with the position that was reached and the last one known.

    Returns:
        What came of each view, in order.
    """
    twins = Twins([table for view in views for table in view.tables], using)
    with twins.made():
        foldings = [_Folding(view, using) for view in views]
        position = 0
        while (last := last_position(using=using)) - position > BATCH:
            position = _catch_up(foldings, position, using, progress, last)
        with transaction.atomic(using=using):
            lock(using)
            _catch_up(foldings, position, using, progress, last_position(using=using))
            if swap:
                drop(using=using)  # they are folded from the same log, by what may have been mended
            return [_finish(folding, twins, swap, using) for folding in foldings]


def _catch_up(
    foldings: Sequence[_Folding], position: int, using: str, progress: Callable[[int, int], None], last: int
) -> int:
    """Fold everything from a position to the last one, and return that."""
    kinds = {kind for folding in foldings for kind in folding.kinds}
    owners, reached = Owners(using), position
    with held_back():
        for batch in _batches(facts(Q(position__lte=last), kinds=kinds, after=position, using=using)):
            foreign = owners.foreign(batch)
            for folding in foldings:
                folding.take(batch, foreign)
            reached = batch[-1].position
            progress(reached, last)
    if reached < last:  # no view takes the last ones
        progress(last, last)
    return last


def _batches(facts: Iterator[Recorded]) -> Iterator[list[Recorded]]:
    batch: list[Recorded] = []
    for fact in facts:
        batch.append(fact)
        if len(batch) == BATCH:
            yield batch
            batch = []
    if batch:
        yield batch


def _finish(folding: _Folding, twins: Twins, swap: bool, using: str) -> Rebuilt:
    """Compare a view with its twin and put it right."""
    view = folding.view
    if folding.failure is not None:
        problem = {"position": folding.failure.fact.position, "problem": str(folding.failure)}
        BrokenView.objects.using(using).update_or_create(view=view.name, defaults=problem)
        return Rebuilt(view.name, failure=str(folding.failure))
    rows, differences = sum(map(twins.count, view.tables)), []
    for table in view.tables:
        difference = twins.compare(table)
        if difference is not None:
            differences.append(difference)
            if swap:
                twins.put_right(table)
    if swap:
        if differences:
            FoldedAgain.objects.using(using).get_or_create(view=view.name)
            FoldedAgain.objects.using(using).filter(view=view.name).update(times=F("times") + 1)
        BrokenView.objects.using(using).filter(view=view.name).delete()
        PassedOverEntry.objects.using(using).filter(view=view.name).delete()
        for one in folding.passed:
            mark_passed_entry(one, using)
    return Rebuilt(view.name, rows=rows, entries_passed_over=len(folding.passed), differences=tuple(differences))
