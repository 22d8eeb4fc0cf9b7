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

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from math import inf
from operator import attrgetter
from typing import Any, TypeVar

from django.db.models import Model

from scheduling.log import models
from scheduling.log.events import EVENT_KINDS
from scheduling.log.events.equipment import MachineAdded, ProfileAdded, SourceAdded, VenueAdded
from scheduling.log.events.plans import RunPlanned
from scheduling.log.events.visits import OpeningFixed, OpeningSeriesFixed
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
from scheduling.log.moment import AsOf
from scheduling.log.projecting.folding import answered, folded
from scheduling.log.rows.row_cache import Rows
from scheduling.log.snapshots.scopes import of_machine, of_run

Added = RunPlanned | MachineAdded | OpeningFixed | OpeningSeriesFixed | ProfileAdded | SourceAdded | VenueAdded
Row = TypeVar("Row", bound=Model)


@dataclass(frozen=True)
class RunThen:
    """A run, in the order of its columns: what was planned, what lay on the paper, what was missing."""

    run: Run
    segments: tuple[Segment, ...]
    stretches: tuple[PrintedStretch, ...]
    strips: tuple[Strip, ...]
    outages: tuple[Outage, ...]


def run_at(run: str, moment: AsOf, *, from_column: int | None = None, using: str = "default") -> RunThen | None:
    """A run as it was; None where it was not planned yet.

    Args:
        run: its id.
        moment: when.
        from_column: only segments, stretches and strips that end after this running column; all for None. The rest is
            of the whole run.
        using: alias of the database.
    """

    def read(rows: Rows) -> RunThen | None:
        row = rows.find(Run, run)
        if row is None:
            return None
        segments, stretches = (
            rows.all(Segment, from_column=from_column),
            rows.all(PrintedStretch, from_column=from_column),
        )
        strips = rows.all(Strip, from_column=from_column)
        least = -inf if from_column is None else from_column
        return RunThen(
            run=row,
            segments=tuple(sorted((o for o in segments if o.end_column > least), key=lambda one: one.first_column)),
            stretches=tuple(sorted((o for o in stretches if o.end_column > least), key=lambda one: one.first_column)),
            strips=tuple(sorted((one for one in strips if one.boundary >= least), key=lambda one: one.boundary)),
            outages=tuple(sorted(rows.all(Outage), key=lambda one: one.version)),
        )

    return answered((Run, Outage), of_run(run), moment, read, using=using)


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

    def read(rows: Rows) -> list[Segment] | None:
        if rows.find(Run, run) is None:
            return None
        return part.of(rows.numbered_after(Segment, part.after, part.count), "number")

    return answered((Run,), of_run(run), moment, read, using=using)


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
    return answered((Run,), of_run(run), moment, lambda rows: rows.find(Run, run), using=using)


def machine_row_at(machine: str, moment: AsOf, *, using: str = "default") -> Machine | None:
    """A machine as it was, without what belongs to it."""
    scope = of_machine(machine)
    return answered((Machine,), scope, moment, lambda rows: rows.find(Machine, machine), using=using)


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
