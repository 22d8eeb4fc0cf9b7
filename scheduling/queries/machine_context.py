"""A machine with all that most questions about it stand on, read once for a request and handed down: its venue, its
profile with what was measured, its runs, the newest word of its node.

What is asked of one machine is read of all that the request is about, when it is first asked: the number of queries
does not grow with the number of machines. It is all about one instant, though the rows may be some of a moment later
than others; it is not kept beyond a request.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from itertools import groupby

from django.db import DEFAULT_DB_ALIAS
from django.db.models import OuterRef, Subquery

from machines.model.profile import Profile
from machines.model.versions import in_force
from scheduling.log.models import Heartbeat, Machine, Outage, PrintedStretch, Run, Segment, Source, SupplyChange, Venue
from scheduling.log.rows.row_sql import table
from scheduling.planning.timeline import Timeline
from scheduling.queries.calibration import machine_calibration
from scheduling.queries.closed_away import ClosedAway
from scheduling.queries.cuts import cuts_since_blade
from scheduling.queries.forecast_inputs import Newest, newest_inputs
from scheduling.queries.newest_change import Views, views
from scheduling.queries.open_spans import open_spans
from scheduling.queries.run_versions import planned_by, profile_versions, run_profiles
from scheduling.queries.runs import (
    HAS_TO_COME,
    Model,
    has_columns_to_come,
    knife_is_armed_by,
    machine_models,
    segments_in_order,
    timeline_on,
)
from scheduling.queries.venue_context import VenueContext, venue_contexts


@dataclass(frozen=True, eq=False)
class MachineGroup:
    """Machines that are read together.

    Attributes:
        machines: their rows, in the order of whoever asks.
        now: this instant, UTC.
        known_venues: those that were read before; those of the other machines are read when they are asked for.
    """

    machines: tuple[Machine, ...]
    now: datetime
    known_venues: Mapping[str, VenueContext]

    @cached_property
    def contexts(self) -> tuple[MachineContext, ...]:
        """Each of them, in the same order."""
        return tuple(MachineContext(machine, self) for machine in self.machines)

    @cached_property
    def ids(self) -> tuple[str, ...]:
        """Of the machines."""
        return tuple(machine.id for machine in self.machines)

    @cached_property
    def venues(self) -> Mapping[str, VenueContext]:
        """Theirs, by id."""
        missing = {machine.venue_id for machine in self.machines} - self.known_venues.keys()
        if not missing:
            return self.known_venues
        return {**self.known_venues, **venue_contexts(Venue.objects.filter(id__in=missing))}

    @cached_property
    def views(self) -> Views:
        """How the views stood when it was first asked."""
        return views()

    @cached_property
    def models(self) -> dict[str, Model]:
        """Their models, by id."""
        return machine_models({machine.profile_id for machine in self.machines})

    @cached_property
    def older_versions(self) -> dict[tuple[str, int], Profile]:
        """The versions of models by which runs were planned that have columns to come, but for the newest."""
        newest = {(model.id, model.version) for model in self.models.values()}
        by = {planned_by(run, one.machine) for one in self.contexts for run in one.runs}
        return profile_versions(by - newest)

    @cached_property
    def heartbeats(self) -> dict[str, Heartbeat]:
        """The newest word of each node that ever gave one, by machine."""
        return {row.machine_id: row for row in Heartbeat.objects.filter(machine_id__in=self.ids)}

    @cached_property
    def runs(self) -> dict[str, tuple[Run, ...]]:
        """Runs that have columns to come or begin later, by machine, in order of time."""
        if not self.ids:
            return {}
        mine = f"machine_id IN ({', '.join(['%s'] * len(self.ids))})"
        to_come = f"withdrawn_at IS NULL AND ({HAS_TO_COME} OR starts_at > %s)"
        condition = f"{mine} AND {to_come} ORDER BY machine_id, starts_at, id"
        rows: list[Run] = table(Run, DEFAULT_DB_ALIAS).where(condition, *self.ids, self.now)
        return {id: tuple(of_machine) for id, of_machine in groupby(rows, lambda run: run.machine_id)}

    @cached_property
    def segments_now(self) -> dict[str, Segment]:
        """The segment of each run that is on or next which belongs under the head now, by run."""
        rows = segments_in_order(self._shown).filter(starts_at__lte=self.now, ends_at__gt=self.now)
        rows = rows.exclude(state=Segment.WITHDRAWN)
        return {segment.run_id: segment for segment in reversed(list(rows))}

    @cached_property
    def first_plates(self) -> dict[str, str]:
        """The digest of the first plate of each run that is on or next and has no segment now, by run."""
        runs = Run.objects.filter(id__in=[id for id in self._shown if id not in self.segments_now])
        first = Segment.objects.filter(run_id=OuterRef("id")).order_by("number").values("plate")[:1]
        found = runs.annotate(plate=Subquery(first)).values_list("id", "plate")
        return {id: plate for id, plate in found if plate is not None}

    @cached_property
    def source_names(self) -> dict[str, str]:
        """What the runs print that are on or next, by the id of the source."""
        sources = {one.run_or_next.source_id for one in self.contexts if one.run_or_next is not None}
        return dict(Source.objects.filter(id__in=sources).values_list("id", "name"))

    @cached_property
    def newest_stretches(self) -> dict[str, int]:
        """The version of the newest report of printed columns, by machine. Each is looked up in the index: to group
        them all would read every report there is."""
        newest = PrintedStretch.objects.filter(machine_id=OuterRef("id")).order_by("-version").values("version")[:1]
        found = Machine.objects.filter(id__in=self.ids).annotate(newest=Subquery(newest)).values_list("id", "newest")
        return {id: version for id, version in found if version is not None}

    @cached_property
    def segments_to_come(self) -> dict[str, tuple[Segment, ...]]:
        """What is open of each machine's first run that has columns to come, by run; see `open_spans`."""
        return open_spans([one.run_to_come.id for one in self.contexts if one.run_to_come is not None])

    @cached_property
    def open_by_run(self) -> dict[str, tuple[Segment, ...]]:
        """What is open of every run that has columns to come or begins later, by run; see `open_spans`."""
        return open_spans([run.id for of_machine in self.runs.values() for run in of_machine])

    @cached_property
    def supply_changes(self) -> dict[str, tuple[SupplyChange, ...]]:
        """What people changed of rolls, cartridges and blades, by machine, in order."""
        rows = SupplyChange.objects.filter(machine_id__in=self.ids).order_by("machine_id", "version")
        return {id: tuple(mine) for id, mine in groupby(rows, lambda change: change.machine_id)}

    @cached_property
    def cuts(self) -> dict[str, int]:
        """How many cuts were made with the present blade of each machine, by itself or by hand, by machine."""
        return cuts_since_blade(self.ids)

    @cached_property
    def late_outages(self) -> dict[str, Outage]:
        """The newest outage of each run whose columns are still being printed late, by run."""
        runs = [one.run.id for one in self.contexts if one.run is not None]
        rows = Outage.objects.filter(run_id__in=runs, true_again_at=None).order_by("version")
        return {outage.run_id: outage for outage in rows}

    @cached_property
    def forecast_inputs(self) -> dict[str, Newest]:
        """The newest event that each machine's forecast is counted from, by machine."""
        runs = {one.machine.id: one.run_to_come.id for one in self.contexts if one.run_to_come is not None}
        return newest_inputs(self.machines, runs, self.venues)

    @property
    def _shown(self) -> list[str]:
        return [one.run_or_next.id for one in self.contexts if one.run_or_next is not None]


@dataclass(frozen=True, eq=False)
class MachineContext:
    """A machine, as it stood when it was read.

    Attributes:
        machine: its row.
        group: that it was read with.
    """

    machine: Machine
    group: MachineGroup

    @property
    def now(self) -> datetime:
        """The instant that is asked about, UTC."""
        return self.group.now

    @property
    def at_venue(self) -> VenueContext:
        """Where it stands, with its calendar.

        Raises:
            ClosedAway: that was closed into an archive.
        """
        if (found := self.group.venues.get(self.machine.venue_id)) is None:
            raise ClosedAway("venue", self.machine.venue_id)
        return found

    @property
    def venue(self) -> Venue:
        """Where it stands."""
        return self.at_venue.venue

    @property
    def model(self) -> Profile:
        """Its model in numbers, by the newest version."""
        return self.newest_model.profile

    @property
    def newest_model(self) -> Model:
        """Its model by the newest version.

        Raises:
            ClosedAway: it was closed into an archive.
        """
        if (found := self.group.models.get(self.machine.profile_id)) is None:
            raise ClosedAway("profile", self.machine.profile_id)
        return found

    @cached_property
    def profile(self) -> Profile:
        """The machine in numbers: its model's, with what was measured of it in their place."""
        return machine_calibration(self.machine).applied_to(self.model)

    def model_of(self, run: Run) -> Profile:
        """Its model in numbers while it is on one of its runs."""
        newest, by = self.newest_model, planned_by(run, self.machine)
        if by == (newest.id, newest.version):
            return newest.profile
        if by in self.group.older_versions:
            return in_force(self.group.older_versions[by], newest.profile)
        return run_profiles([run], self.machine, newest)[run.id]

    def profile_of(self, run: Run) -> Profile:
        """The machine in numbers while it is on one of its runs, as `profile` is."""
        return machine_calibration(self.machine).applied_to(self.model_of(run))

    def profiles_otherwise(self, runs: Collection[str]) -> dict[str, Profile]:
        """What `profile_of` is of those of some runs, named by their ids, of which it may be another than `profile`. A
        model that was never another has none, and nothing is asked."""
        model = self.newest_model
        if model.version == 1 and self.machine.unnamed_profile == model.id:
            return {}
        return {run.id: self.profile_of(run) for run in Run.objects.filter(id__in=runs)}

    @property
    def heartbeat(self) -> Heartbeat | None:
        """The newest word of its node; None where there was none."""
        return self.group.heartbeats.get(self.machine.id)

    @property
    def heard_at(self) -> datetime | None:
        """When its node was last heard, UTC; None for never. A server that was put back has lost its words, and knows
        its reports."""
        return self.machine.last_reported_at if self.heartbeat is None else self.heartbeat.heard_at

    @property
    def knife_is_armed(self) -> bool:
        """See `scheduling.queries.runs.knife_is_armed`."""
        return knife_is_armed_by(self.machine, self.heartbeat)

    @property
    def runs(self) -> tuple[Run, ...]:
        """Those that have columns to come or begin later, in order of time."""
        return self.group.runs.get(self.machine.id, ())

    @cached_property
    def run(self) -> Run | None:
        """The run that it is on: see `scheduling.queries.runs.current_run`."""
        begun = (run for run in self.runs if run.starts_at < self.now and has_columns_to_come(run))
        return next(begun, None)

    @cached_property
    def run_or_next(self) -> Run | None:
        """The run that it is on, or else the next that begins."""
        return self.run or next((run for run in self.runs if run.starts_at > self.now), None)

    @cached_property
    def run_to_come(self) -> Run | None:
        """The first run that has columns to come, whenever it begins."""
        return next(filter(has_columns_to_come, self.runs), None)

    @property
    def segment_now(self) -> Segment | None:
        """The segment that belongs under the head now, of the run that it is on or that is next."""
        return None if self.run_or_next is None else self.group.segments_now.get(self.run_or_next.id)

    @property
    def segments_to_come(self) -> tuple[Segment, ...]:
        """The open segments of `run_to_come`, in order."""
        return () if self.run_to_come is None else self.group.segments_to_come.get(self.run_to_come.id, ())

    @property
    def cuts(self) -> int:
        """How many cuts were made with its present blade, by itself or by hand."""
        return self.group.cuts.get(self.machine.id, 0)

    @property
    def late_outage(self) -> Outage | None:
        """The newest outage of `run` whose columns are still being printed late; None for none."""
        return None if self.run is None else self.group.late_outages.get(self.run.id)

    def supply_changes(self, part: str) -> tuple[SupplyChange, ...]:
        """What people changed of a part: the roll, the cartridge or the blade, in order."""
        return tuple(one for one in self.group.supply_changes.get(self.machine.id, ()) if one.part == part)

    def timeline(self, run: Run) -> Timeline:
        """The columns of one of its runs against their cycle."""
        return timeline_on(run, self.model_of(run), self.at_venue.place)


def machine_contexts(
    machines: Iterable[Machine], now: datetime, venues: Mapping[str, VenueContext] | None = None
) -> tuple[MachineContext, ...]:
    """Machines that are read together, in their order.

    Args:
        machines: their rows.
        now: this instant, UTC.
        venues: that were read already, by id.
    """
    return MachineGroup(tuple(machines), now, venues or {}).contexts


def machine_context(machine: Machine, now: datetime) -> MachineContext:
    """A machine by itself."""
    return machine_contexts([machine], now)[0]
