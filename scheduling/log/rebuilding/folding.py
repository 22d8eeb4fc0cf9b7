"""Views on their way through the log, from the first event."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, field

from django.db import transaction
from django.db.models import Q

from scheduling.log.event_records import facts
from scheduling.log.events import EVENT_KINDS
from scheduling.log.garbage import held_back
from scheduling.log.owners import Owners
from scheduling.log.projecting.projector import FoldFailed, PassedEntry, fold_facts, fold_passing_over, write_rows
from scheduling.log.projections import View
from scheduling.log.recorded import Recorded
from scheduling.log.rows.row_cache import Rows

# So many facts are folded before their rows are written and progress is told.
BATCH = 5000
# Above so many rows in memory they are let go of, and looked up again when they are needed.
MOST_ROWS = 200_000

# Told now and then: what is being done, how far it is, and how far it has to go.
Progress = Callable[[str, int, int], None]


@dataclass
class Folding:
    """A view on its way through the log.

    Attributes:
        view: which.
        using: alias of the database.
        rows: those in memory.
        failure: why it goes no further.
        passed: entries that it goes on without.
    """

    view: View
    using: str
    rows: Rows = field(init=False)
    failure: FoldFailed | None = None
    passed: list[PassedEntry] = field(default_factory=list)
    kinds: tuple[str, ...] = field(init=False)

    def __post_init__(self) -> None:
        self.rows = Rows(self.using, complete=True)
        self.kinds = tuple(EVENT_KINDS[event] for event in self.view.folds)

    def look_up(self) -> None:
        """Let go of the rows in memory: from here on they are read from the tables."""
        self.rows = Rows(self.using)

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
        self.look_up()
        try:
            self.passed += fold_passing_over(self.view, facts, lambda: Rows(self.using), foreign, self.using)
        except FoldFailed as failure:
            self.failure = failure


def catch_up(foldings: Sequence[Folding], position: int, last: int, using: str, progress: Progress) -> int:
    """Fold everything after a position up to the last one, and return that."""
    kinds = {kind for folding in foldings for kind in folding.kinds}
    owners, reached = Owners(using), position
    with held_back():
        for batch in _batches(facts(Q(position__lte=last), kinds=kinds, after=position, using=using)):
            foreign = owners.foreign(batch)
            for folding in foldings:
                folding.take(batch, foreign)
            reached = batch[-1].position
            progress("events folded", reached, last)
    if reached < last:  # no view takes the last ones
        progress("events folded", last, last)
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
