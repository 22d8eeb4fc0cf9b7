"""Reading the views: from a row to the thing that the domain computes with."""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
from django.db import DEFAULT_DB_ALIAS
from django.db.models import F, QuerySet

from machines.model.profile import Profile as MachineProfile
from machines.protocol.messages import RunWork, SegmentWork
from machines.protocol.recesses import Recess
from machines.recovery import Policy
from machines.serialization import parse_instant, structure, unstructure
from scheduling.log import batched_sql, models
from scheduling.log.events.plans import RunPlanned
from scheduling.log.models import Heartbeat, Machine, PrintedStretch, Run, Segment, Venue
from scheduling.log.outcomes import Interval, outside
from scheduling.log.rows.row_sql import table
from scheduling.planning.timeline import Timeline
from scheduling.queries.closed_away import ClosedAway, still_there
from scheduling.sky import cycles
from scheduling.sky.arrays import FloatArray
from scheduling.sky.places import Place

# Asked with every poll and every report, where Django's queries take too long.
_PROFILES = "SELECT id, version, data FROM log_profile WHERE id IN ({})"
# Of a run, as `has_columns_to_come`; of a segment, as `open_segments`.
HAS_TO_COME = "(withdrawn_at IS NULL AND (again <> 0 OR printed + skipped + unknown < end_column - first_column))"
# Of a run: ended, changed or taken back by people, which a board may not have heard of.
SAID_ANEW = "(withdrawn_at IS NOT NULL OR ended_at IS NOT NULL OR changed_at IS NOT NULL)"
STILL_OPEN = "state <> 'withdrawn' AND (again <> '[]' OR first_column + printed + skipped + unknown <> end_column)"


def venue_place(*, venue: str) -> Place:
    """Where a venue stands.

    Raises:
        ClosedAway: it was closed into an archive.
    """
    row = still_there(Venue, "venue", venue)
    return Place(row.latitude_degrees, row.longitude_degrees, row.elevation_m)


@dataclass(frozen=True)
class Model:
    """A model of machine.

    Attributes:
        id: of it.
        version: the newest of it.
        profile: in numbers, by that.
    """

    id: str
    version: int
    profile: MachineProfile


def machine_profile(*, profile: str) -> MachineProfile:
    """A model of machine in numbers, by its newest version."""
    return machine_model(profile).profile


def machine_model(profile: str) -> Model:
    """A model of machine, which has an id.

    Raises:
        ClosedAway: it was closed into an archive.
    """
    found = machine_models([profile])
    if not found:
        raise ClosedAway("profile", profile)
    return found[profile]


def machine_models(profiles: Collection[str]) -> dict[str, Model]:
    """Models of machines, by id; one query however many they are."""
    if not profiles:
        return {}
    asked = _PROFILES.format(", ".join(["%s"] * len(profiles)))
    (found,) = batched_sql.run([(asked, list(profiles))], using=DEFAULT_DB_ALIAS)
    return {id: Model(id, version, profile_said(text)) for id, version, text in found}


@lru_cache(maxsize=64)  # every poll and every report needs its machine's
def profile_said(text: str) -> MachineProfile:
    """A model of machine in numbers, from the text in its table."""
    return structure(json.loads(text), MachineProfile)


def cycle_named(name: str, options: dict[str, Any], *, place: Place) -> cycles.Cycle:
    """A cycle from what a run says of it; the temporal hours are those of the place.

    Raises:
        InputError: the epoch of a period is no instant.
        CycleError: no such cycle, or the options do not fit it.
    """
    if name == "temporal-hours":
        if options:
            raise cycles.CycleError("options", "temporal-hours takes none: its place is the venue", "leave them out")
        return cycles.get(name, place=place)
    if "epoch" in options:
        options = options | {"epoch": parse_instant(options["epoch"], "epoch")}
    return cycles.get(name, **options)


def timeline_on(run: Run, profile: MachineProfile, place: Place) -> Timeline:
    """The columns of a run against its cycle, by the model of its machine and where that stands."""
    cycle = cycle_named(run.cycle, run.cycle_options, place=place)
    return Timeline(cycle, profile.columns_per_turn, run.segments_per_turn)


def knife_is_armed(machine: Machine) -> bool:
    """Whether a machine's knife is armed, by what its node reported; never where the node's newest word, which comes
    with every poll and is no older than its reports, says otherwise."""
    return knife_is_armed_by(machine, Heartbeat.objects.filter(machine_id=machine.id).first())


def knife_is_armed_by(machine: Machine, heartbeat: Heartbeat | None) -> bool:
    """The same, where the newest word of its node was read already; None where there was none."""
    said = {} if heartbeat is None else heartbeat.status
    return machine.knife_armed and said.get("knife_armed") is not False


def run_instants(run: Run, columns: npt.ArrayLike, timeline: Timeline) -> FloatArray:
    """When running columns of a run belong under the head, POSIX seconds: by its cycle, and later by what its timeline
    has waited before them."""
    running = np.asarray(columns)
    return timeline.instants(running) + waited(run, running)


def waited(run: Run, running: npt.NDArray[np.int64]) -> FloatArray:
    """How long a run's timeline has waited before running columns, seconds."""
    seconds = np.zeros(running.shape)
    for column, waited_s in run.shifts:
        seconds += np.where(running >= column, waited_s, 0.0)
    return seconds


def machine_of(run: Run) -> Machine:
    """The machine that a run is on, with its venue.

    Raises:
        ClosedAway: it, or its venue, was closed into an archive.
    """
    machine = Machine.objects.select_related("venue").filter(id=run.machine_id).first()
    if machine is None:
        raise ClosedAway("machine", run.machine_id, ", or where it stood,")
    return machine


def run_policy(run: Run) -> Policy:
    """What the run does after an outage."""
    return structure(run.policy, Policy)


def goes_by_hours(run: Run) -> bool:
    """Whether it can be kept to only where somebody knows when the venue is closed."""
    return run.only_while_open or any(rule.only_while_closed for _, rule in run_policy(run).rules())


def run_work(run: Run) -> RunWork:
    """A run as its node gets it."""
    return RunWork(
        id=run.id,
        first_column=run.first_column,
        end_column=run.end_column,
        strips_per_turn=run.strips_per_turn,
        nozzle_seed=run.nozzle_seed,
        mean_turn_s=run.mean_turn_s,
        shift_s=run.shift_s,
        revision=run.revision,
        succeeds=run.succeeds,
        formed=run.formed,
        recesses=recesses_of(run),
        only_while_open=run.only_while_open,
    )


def recesses_of(run: Run) -> tuple[Recess, ...]:
    """The spans in which people hold a run."""
    return tuple(
        Recess(
            starts_at=parse_instant(one["starts_at"]),
            ends_at=None if one["ends_at"] is None else parse_instant(one["ends_at"]),
        )
        for one in run.holds
    )


def segment_work(segment: Segment) -> SegmentWork:
    """A planned segment as a node gets it: its knots are as planned, before the timeline waited."""
    data = {
        "number": segment.number,
        "first_column": segment.first_column,
        "end_column": segment.end_column,
        "plate": segment.plate,
        "knots": segment.knots,
    }
    return structure(data, SegmentWork)


def open_segments(run: Run) -> QuerySet[Segment]:
    """Planned segments of a run that have columns that nobody has accounted for, or that are to be printed once more;
    in order."""
    accounted = F("first_column") + F("printed") + F("skipped") + F("unknown")
    standing = segments_in_order([run.id]).exclude(state=Segment.WITHDRAWN)
    return standing.exclude(end_column=accounted, again=[])


def segments_in_order(runs: Collection[str]) -> QuerySet[Segment]:
    """The planned segments of several runs, named by their ids: run by run, each in order."""
    return Segment.objects.filter(run_id__in=runs).order_by("run_id", "number")


def segments_to_offer(run: Run, until: datetime) -> list[Segment]:
    """The open segments of a run that begin before an instant, in order."""
    condition = f"run_id = %s AND starts_at < %s AND {STILL_OPEN} ORDER BY number"
    return table(Segment, DEFAULT_DB_ALIAS).where(condition, run.id, until)


def first_due(segment: Segment) -> int | None:
    """The first column of a segment that has no outcome, or is to be printed once more; None where none is."""
    accounted = [(first, end) for first, end, _ in segment.outcomes]
    due = outside(Interval(segment.first_column, segment.end_column, "printed"), accounted)
    return min([one.first for one in due] + [first for first, _ in segment.again], default=None)


def current_run(*, machine: str, before: datetime) -> Run | None:
    """The earliest run of a machine that starts before an instant and has columns not yet accounted for, or to be
    printed once more.

    A later run waits until the one before it is accounted for to the last column: the paper is one line.
    """
    return next(iter(next_runs(machine=machine, before=before, limit=1)), None)


def next_runs(*, machine: str, before: datetime, limit: int) -> list[Run]:
    """The first so many of them, in the order in which they are printed."""
    condition = f"machine_id = %s AND starts_at < %s AND {HAS_TO_COME} ORDER BY starts_at, id LIMIT {limit}"
    return table(Run, DEFAULT_DB_ALIAS).where(condition, machine, before)


def has_columns_to_come(run: Run) -> bool:
    """Whether a run has columns not yet accounted for, or to be printed once more; one that was withdrawn has none."""
    if run.withdrawn_at is not None:
        return False
    return bool(run.again) or run.printed + run.skipped + run.unknown < run.end_column - run.first_column


def runs_standing(machine: str) -> QuerySet[Run]:
    """The runs of a machine that were not withdrawn."""
    return Run.objects.filter(machine_id=machine, withdrawn_at=None)


def runs_to_come(machine: str) -> list[Run]:
    """The runs of a machine that have columns to come, in order of time."""
    return [run for run in runs_standing(machine).order_by("starts_at", "id") if has_columns_to_come(run)]


def has_paper(machine: Machine) -> bool:
    """Whether anything was printed or fed at a machine, as far as it has told."""
    return machine.paper_position > 0 or PrintedStretch.objects.filter(machine_id=machine.id).exists()


def as_planned(id: str, planned: RunPlanned) -> models.Run:
    """The run as it will be; it is in no table."""
    elsewhere = ("machine", "source", "policy", "without", "recesses")
    return models.Run(
        id=id,
        machine_id=planned.machine,
        source_id=planned.source,
        policy=unstructure(planned.policy),
        planned_to_column=planned.first_column,
        holds=[unstructure(one) | {"by": ""} for one in planned.recesses],
        **{name: value for name, value in vars(planned).items() if name not in elsewhere},
    )
