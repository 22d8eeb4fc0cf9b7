"""Views folded again, compared with the live ones as both were at one instant."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from machines.errors import DayrollError
from scheduling.log.events import EVENT_KINDS
from scheduling.log.events.server import StreamClosed
from scheduling.log.models import Event, PassedOverEntry
from scheduling.log.projecting.projector import broken_views
from scheduling.log.projections import View
from scheduling.log.rebuilding.folding import Folding, Progress, catch_up
from scheduling.log.rebuilding.shadow_tables import Difference, Twins
from scheduling.log.rebuilding.snapshot import keeping_nobody, snapshot
from scheduling.log.store import last_position

# So many events may be left to be folded at an end: while others cannot append, or their tables are not as of now.
MOST_LEFT = 100


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


@dataclass(frozen=True)
class Looked:
    """What there was at one instant.

    Attributes:
        position: of the last event then.
        closed: how many streams had been closed into archives.
        found: what came of each view, in order.
        aside: names of the views that were set aside.
        passed: views, and positions of the entries that they were said to go on without.
    """

    position: int
    closed: int
    found: dict[str, Rebuilt]
    aside: frozenset[str]
    passed: frozenset[tuple[str, int]]

    @property
    def results(self) -> list[Rebuilt]:
        """What came of each view, in order."""
        return list(self.found.values())

    def passed_by(self, view: View) -> frozenset[tuple[str, int]]:
        """Of the entries that were passed over, those by one view."""
        return frozenset(one for one in self.passed if one[0] == view.name)

    def is_to_change(self, folding: Folding) -> bool:
        """Whether the live tables of a view are to be those folded again."""
        name = folding.view.name
        return folding.failure is None and (not self.found[name].equal or name in self.aside)

    def results_of(self, changed: Sequence[Folding]) -> list[Rebuilt]:
        """What came of each view, with what the newest events brought to some."""
        now = {one.view.name: one for one in changed}
        return [
            replace(one, entries_passed_over=len(now[name].passed), failure=said(now[name])) if name in now else one
            for name, one in self.found.items()
        ]


def look(foldings: Sequence[Folding], twins: Twins, using: str, progress: Progress) -> Looked:
    """Fold until few events are left, then those, and compare, as all was at one instant. Nobody waits for it.

    Raises:
        DayrollError: streams were closed into an archive meanwhile.
    """
    closed, position = closures(using), 0
    with keeping_nobody(using):
        while (last := last_position(using=using)) - position > MOST_LEFT:
            position = catch_up(foldings, position, last, using, progress)
    with snapshot(using):
        position = catch_up(foldings, position, last_position(using=using), using, progress)
        require_none_closed(closed, using)
        passed = PassedOverEntry.objects.using(using).values_list("view", "position")
        return Looked(
            position,
            closed,
            {one.view: one for one in compare_all(foldings, twins, progress)},
            frozenset(broken_views(using=using)),
            frozenset(passed),
        )


def compare_all(foldings: Sequence[Folding], twins: Twins, progress: Progress) -> list[Rebuilt]:
    """What there is between the live tables of each view and its twins."""
    tables = sum(len(one.view.tables) for one in foldings)
    compared, results = 0, []
    for folding in foldings:
        results.append(_compare(folding, twins))
        compared += len(folding.view.tables)
        progress("tables compared", compared, tables)
    return results


def _compare(folding: Folding, twins: Twins) -> Rebuilt:
    """What there is between a view's live tables and its twins."""
    view = folding.view
    if folding.failure is not None:
        return Rebuilt(view.name, failure=said(folding))
    return Rebuilt(
        view.name,
        rows=sum(map(twins.count, view.tables)),
        entries_passed_over=len(folding.passed),
        differences=tuple(one for one in map(twins.compare, view.tables) if one is not None),
    )


def said(folding: Folding) -> str | None:
    """Why a view could not be folded, in words."""
    return None if folding.failure is None else str(folding.failure)


def closures(using: str) -> int:
    """How many streams were closed into archives."""
    return Event.objects.using(using).filter(kind=EVENT_KINDS[StreamClosed]).count()


def require_none_closed(before: int, using: str) -> None:
    """Raise a DayrollError if more streams are closed than there were: what was folded of them is to be no more."""
    if closures(using) != before:
        raise DayrollError("streams were closed into an archive meanwhile", "run it again; nothing was put right")
