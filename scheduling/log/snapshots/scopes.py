"""What a snapshot is of: a run, or a machine."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass

from django.db.models import Q

from scheduling.log.event_records import facts
from scheduling.log.models import Machine, Outage, Run
from scheduling.log.projections import View, views_of
from scheduling.log.recorded import Recorded


@dataclass(frozen=True)
class Scope:
    """The facts of a run, whoever tells them, or those of a machine's stream; in the order of their places.

    Attributes:
        kind: ``run`` or ``machine``.
        id: of it.
    """

    kind: str
    id: str

    @property
    def name(self) -> str:
        """By which its snapshots are found."""
        return f"{self.kind}/{self.id}"

    @property
    def views(self) -> tuple[View, ...]:
        """What is folded from them."""
        return views_of((Run, Outage) if self.kind == "run" else (Machine,))

    def place(self, fact: Recorded) -> int:
        """That of a fact: the version in a machine's stream; the position in the log of one about a run."""
        return fact.version if self.kind == "machine" else fact.position

    def facts(
        self, where: Q, kinds: Collection[str], *, after: int = 0, through: int | None = None, using: str
    ) -> Iterator[Recorded]:
        """The facts of some kinds that lie after a place and not beyond another, and for which something holds."""
        if self.kind == "machine":
            within = Q() if through is None else Q(version__lte=through)
            return facts(where & within, stream=self.name, kinds=kinds, after_version=after, using=using)
        within = Q() if through is None else Q(position__lte=through)
        return facts(Q(run=self.id) & where & within, kinds=kinds, after=after, using=using)


def of_run(run: str) -> Scope:
    """A run's."""
    return Scope("run", run)


def of_machine(machine: str) -> Scope:
    """A machine's."""
    return Scope("machine", machine)
