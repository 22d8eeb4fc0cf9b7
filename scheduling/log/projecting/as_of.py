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

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from operator import attrgetter
from typing import Any, TypeVar

from django.db import InterfaceError, OperationalError
from django.db.models import Model, Q

from machines.protocol.journal_entries import Entry
from scheduling.log import models
from scheduling.log.event_records import facts
from scheduling.log.events import EVENT_KINDS
from scheduling.log.events.equipment import MachineAdded, ProfileAdded, SourceAdded, VenueAdded
from scheduling.log.events.plans import RunPlanned
from scheduling.log.events.visits import OpeningFixed, OpeningSeriesFixed
from scheduling.log.garbage import held_back
from scheduling.log.models import (
    Machine,
    Notice,
    Opening,
    OpeningSeries,
    Outage,
    PrintedStretch,
    Profile,
    Run,
    Segment,
    ServiceWindow,
    Source,
    Strip,
    Venue,
)
from scheduling.log.owners import Owners
from scheduling.log.projecting.projector import FoldFailed
from scheduling.log.projections import VIEWS, Fold, View
from scheduling.log.rows.row_cache import Rows

Added = RunPlanned | MachineAdded | OpeningFixed | OpeningSeriesFixed | ProfileAdded | SourceAdded | VenueAdded
Row = TypeVar("Row", bound=Model)


@dataclass(frozen=True, kw_only=True)
class AsOf:
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


def run_at(run: str, moment: AsOf, *, using: str = "default") -> RunThen | None:
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


@dataclass(frozen=True, kw_only=True)
class Page:
    """A part of a list.

    Attributes:
        after: key of the row before the first; None for the beginning.
        count: at most so many rows.
    """

    after: Any = None
    count: int

    def of(self, rows: Iterable[Row], key: str) -> list[Row]:
        """The part of rows in the order of a field."""
        following = [row for row in rows if self.after is None or getattr(row, key) > self.after]
        return sorted(following, key=attrgetter(key))[: self.count]


def runs_at(moment: AsOf, part: Page, *, using: str = "default") -> list[Run]:
    """Runs as they were, in the order of their ids."""
    return _each(run_row_at, _named(RunPlanned, moment, part, using), moment, using)


def machines_at(moment: AsOf, part: Page, *, using: str = "default") -> list[Machine]:
    """Machines as they were, in the order of their ids."""
    return _each(machine_row_at, _named(MachineAdded, moment, part, using), moment, using)


def venues_at(moment: AsOf, part: Page, *, using: str = "default") -> list[Venue]:
    """Venues as they were, in the order of their ids."""
    return _each(venue_row_at, _named(VenueAdded, moment, part, using), moment, using)


def profiles_at(moment: AsOf, part: Page, *, using: str = "default") -> list[Profile]:
    """Profiles as they were, in the order of their ids."""
    return _each(profile_at, _named(ProfileAdded, moment, part, using), moment, using)


def sources_at(moment: AsOf, part: Page, *, using: str = "default") -> list[Source]:
    """Sources as they were, in the order of their ids."""
    return _each(source_at, _named(SourceAdded, moment, part, using), moment, using)


def openings_at(moment: AsOf, part: Page, *, using: str = "default") -> list[Opening]:
    """Openings as they were fixed, in the order of their ids."""
    return _each(opening_at, _named(OpeningFixed, moment, part, using), moment, using)


def all_series_at(moment: AsOf, part: Page, *, using: str = "default") -> list[OpeningSeries]:
    """Series of openings as they were, in the order of their ids."""
    return _each(series_at, _named(OpeningSeriesFixed, moment, part, using), moment, using)


def service_windows_at(
    moment: AsOf, part: Page, *, venue: str | None = None, using: str = "default"
) -> list[ServiceWindow]:
    """Service windows as they were, of one venue or of all, in the order of their ids."""
    rows = folded((ServiceWindow,), moment.counts, using=using).all(ServiceWindow)
    return part.of((row for row in rows if venue in (None, row.venue_id)), "id")


def outages_at(moment: AsOf, part: Page, *, using: str = "default") -> list[Outage]:
    """Outages as they were, in the order of their ids."""
    return part.of(folded((Outage,), moment.counts, using=using).all(Outage), "id")


def notices_at(moment: AsOf, part: Page, *, using: str = "default") -> list[Notice]:
    """Notices as they were, in the order of their ids."""
    return part.of(folded((Notice,), moment.counts, using=using).all(Notice), "id")


def segments_at(run: str, moment: AsOf, part: Page, *, using: str = "default") -> list[Segment] | None:
    """Segments of a run as they were, in the order of their numbers; None where the run was not planned yet."""
    rows = folded((Run,), Q(run=run) & moment.counts, using=using)
    return None if rows.find(Run, run) is None else part.of(rows.all(Segment), "number")


def _named(event: type[Added], moment: AsOf, part: Page, using: str) -> list[str]:
    """Ids of what there was, by the events that named it."""
    said = models.Event.objects.using(using).filter(moment.counts, kind=EVENT_KINDS[event])
    streams = said.order_by("stream").values_list("stream", flat=True).distinct()
    if part.after is not None:
        streams = streams.filter(stream__gt=f"{event.stream}/{part.after}")
    return [stream.partition("/")[2] for stream in streams[: part.count]]


def _each(one_at: Callable[..., Row | None], ids: Sequence[str], moment: AsOf, using: str) -> list[Row]:
    return [row for id in ids if (row := one_at(id, moment, using=using)) is not None]


def run_row_at(run: str, moment: AsOf, *, using: str = "default") -> Run | None:
    """A run as it was, without what belongs to it."""
    return folded((Run,), Q(run=run) & moment.counts, using=using).find(Run, run)


def machine_row_at(machine: str, moment: AsOf, *, using: str = "default") -> Machine | None:
    """A machine as it was, without what belongs to it."""
    return folded((Machine,), moment.counts, stream=f"machine/{machine}", using=using).find(Machine, machine)


def venue_row_at(venue: str, moment: AsOf, *, using: str = "default") -> Venue | None:
    """A venue as it was; None where it was not added yet."""
    return folded((Venue,), moment.counts, stream=f"venue/{venue}", using=using).find(Venue, venue)


def profile_at(profile: str, moment: AsOf, *, using: str = "default") -> Profile | None:
    """A profile as it was; None where it was not added yet."""
    return folded((Profile,), moment.counts, stream=f"profile/{profile}", using=using).find(Profile, profile)


def source_at(source: str, moment: AsOf, *, using: str = "default") -> Source | None:
    """A source as it was; None where it was not added yet."""
    return folded((Source,), moment.counts, stream=f"source/{source}", using=using).find(Source, source)


def opening_at(opening: str, moment: AsOf, *, using: str = "default") -> Opening | None:
    """An opening as it was fixed; None where it was not."""
    return folded((Opening,), moment.counts, stream=f"opening/{opening}", using=using).find(Opening, opening)


def series_at(series: str, moment: AsOf, *, using: str = "default") -> OpeningSeries | None:
    """A series of openings as it was; None where it was not fixed yet."""
    rows = folded((OpeningSeries,), moment.counts, stream=f"series/{series}", using=using)
    return rows.find(OpeningSeries, series)


def service_window_at(window: str, moment: AsOf, *, using: str = "default") -> ServiceWindow | None:
    """A service window as it was; None where it was not fixed yet."""
    rows = folded((ServiceWindow,), moment.counts, stream=f"service/{window}", using=using)
    return rows.find(ServiceWindow, window)


def folded(wanted: Sequence[type[Model]], where: Q, *, stream: str | None = None, using: str = "default") -> Rows:
    """Rows in memory of the views that hold the wanted tables, folded from the facts that a condition chooses.

    Args:
        wanted: tables.
        where: which facts; see `scheduling.log.models.Event`.
        stream: only of this stream; None for all.
        using: alias of the database.
    """
    views = [view for view in VIEWS if set(view.tables) & set(wanted)]
    passed: dict[str, set[int]] = {view.name: set() for view in views}
    while True:
        rows = Rows(using, complete=True)
        try:
            with held_back():
                _fold(views, where, stream, rows, passed, using)
        except FoldFailed as failure:
            if not isinstance(failure.fact.event, Entry):
                raise
            passed[failure.view.name].add(failure.fact.position)  # and once more, as a live view goes on without it
        else:
            return rows


def _fold(
    views: Sequence[View],
    where: Q,
    stream: str | None,
    rows: Rows,
    passed: Mapping[str, Collection[int]],
    using: str,
) -> None:
    folds: dict[type, list[tuple[View, Fold, Collection[int]]]] = {}
    for view in views:
        for kind, fold in view.folds.items():
            folds.setdefault(kind, []).append((view, fold, passed[view.name]))
    owners = Owners(using)
    for fact in facts(where, stream=stream, kinds={EVENT_KINDS[kind] for kind in folds}, using=using):
        event, is_foreign = fact.event, owners.is_foreign(fact)
        for view, fold, without in folds[type(event)]:
            try:
                (view.take_number if is_foreign or fact.position in without else fold)(rows, fact, event)
            except (OperationalError, InterfaceError):
                raise
            except Exception as error:
                raise FoldFailed(view, fact, error) from error
