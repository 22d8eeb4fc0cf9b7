"""What was true at a past instant, and what was known of it then.

Two instants are meant by "then". A node that was cut off tells on Thursday what it printed on Tuesday: asked for
Tuesday, with all that is known today, those columns are on the paper; asked for what was known on Tuesday, not.

    fact           happened           said
    columns        Tuesday            Thursday
    happened_by    Tuesday: counts    (whenever it was said, unless known_by says otherwise)
    known_by       -                  Tuesday: does not count, Thursday: counts

The answers are rows as the live views have them, folded from the facts that count, in memory only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Model, Q

from scheduling.log.events import NAMES
from scheduling.log.folds import VIEWS, Fold
from scheduling.log.garbage import held_back
from scheduling.log.lines import facts
from scheduling.log.models import Machine, Notice, Opening, Outage, PrintedStretch, Run, Segment, Strip
from scheduling.log.rows import Rows


@dataclass(frozen=True, kw_only=True)
class Moment:
    """Which facts count.

    Attributes:
        happened_by: those that happened by then, UTC; None for whenever.
        known_by: those that the server had been told by then, UTC; None for all that is known now.
    """

    happened_by: datetime | None = None
    known_by: datetime | None = None

    @property
    def counts(self) -> Q:
        """The condition on `scheduling.log.models.Event`."""
        where = Q()
        if self.happened_by is not None:
            where &= Q(happened_at__lte=self.happened_by)
        if self.known_by is not None:
            where &= Q(said_at__lte=self.known_by)
        return where


@dataclass(frozen=True)
class RunThen:
    """A run, in the order of its columns: what was planned, what lay on the paper, what was missing."""

    run: Run
    segments: tuple[Segment, ...]
    stretches: tuple[PrintedStretch, ...]
    strips: tuple[Strip, ...]
    outages: tuple[Outage, ...]


@dataclass(frozen=True)
class MachineThen:
    """A machine, with the notices and the outages that there had been."""

    machine: Machine
    notices: tuple[Notice, ...]
    outages: tuple[Outage, ...]


def run_at(run: str, moment: Moment, *, using: str = "default") -> RunThen | None:
    """A run as it was; None where it was not planned yet."""
    rows = folded((Run, Outage), Q(run=run) & moment.counts, using=using)
    row = rows.find(Run, run)
    if row is None:
        return None
    return RunThen(
        run=row,
        segments=tuple(sorted(rows.all(Segment), key=lambda one: one.first_column)),
        stretches=tuple(sorted(rows.all(PrintedStretch), key=lambda one: one.first_column)),
        strips=tuple(sorted(rows.all(Strip), key=lambda one: one.boundary)),
        outages=tuple(sorted(rows.all(Outage), key=lambda one: one.version)),
    )


def machine_at(machine: str, moment: Moment, *, using: str = "default") -> MachineThen | None:
    """A machine as it was; None where it was not added yet."""
    rows = folded((Machine, Notice, Outage), moment.counts, stream=f"machine/{machine}", using=using)
    row = rows.find(Machine, machine)
    if row is None:
        return None
    return MachineThen(
        machine=row,
        notices=tuple(sorted(rows.all(Notice), key=lambda one: (one.raised_at, one.id))),
        outages=tuple(sorted(rows.all(Outage), key=lambda one: one.version)),
    )


def run_row_at(run: str, moment: Moment, *, using: str = "default") -> Run | None:
    """A run as it was, without what belongs to it."""
    return folded((Run,), Q(run=run) & moment.counts, using=using).find(Run, run)


def machine_row_at(machine: str, moment: Moment, *, using: str = "default") -> Machine | None:
    """A machine as it was, without what belongs to it."""
    return folded((Machine,), moment.counts, stream=f"machine/{machine}", using=using).find(Machine, machine)


def opening_at(opening: str, moment: Moment, *, using: str = "default") -> Opening | None:
    """An opening as it was fixed; None where it was not."""
    return folded((Opening,), moment.counts, stream=f"opening/{opening}", using=using).find(Opening, opening)


def folded(wanted: Sequence[type[Model]], where: Q, *, stream: str | None = None, using: str = "default") -> Rows:
    """Rows in memory of the views that hold the wanted tables, folded from the facts that a condition chooses.

    Args:
        wanted: tables.
        where: which facts; see `scheduling.log.models.Event`.
        stream: only of this stream; None for all.
        using: alias of the database.
    """
    views = [view for view in VIEWS if set(view.tables) & set(wanted)]
    folds: dict[type, list[Fold]] = {}
    for view in views:
        for event, fold in view.folds.items():
            folds.setdefault(event, []).append(fold)
    rows = Rows(using, complete=True)
    with held_back():
        for fact in facts(where, stream=stream, kinds={NAMES[event] for event in folds}, using=using):
            for fold in folds[type(fact.event)]:
                fold(rows, fact, fact.event)
    return rows
