"""What forecasts are counted from: the newest event that moves the end of a part, for many machines in one query."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Max

from machines.protocol.journal_entries import GapSettled, OperatorActed
from scheduling.log.events import EVENT_KINDS
from scheduling.log.events.equipment import (
    HoursSet,
    MachineAdded,
    MachineCalibrated,
    MachineChanged,
    ProfileChanged,
    QuietHoursSet,
    VenueChanged,
)
from scheduling.log.events.plans import (
    RunChanged,
    RunContinued,
    RunEnded,
    RunHeld,
    RunMovedAway,
    RunPlanned,
    RunWithdrawn,
    SegmentsPlanned,
)
from scheduling.log.events.visits import OpeningCalledOff, OpeningFixed, ServiceWindowCalledOff, ServiceWindowFixed
from scheduling.log.models import SAYS_MORE, Event, Machine
from scheduling.queries.venue_context import VenueContext

# What moves the end of a part or what is said of it, and so the date of that. Printing as planned moves none, and of
# what `scheduling.queries.newest_change` takes to move something much does not either, such as feed put right by a
# hair's breadth.
INVALIDATED_BY = tuple(
    EVENT_KINDS[kind]
    for kind in (
        MachineAdded,
        MachineChanged,
        MachineCalibrated,
        ProfileChanged,
        RunPlanned,
        RunChanged,
        RunMovedAway,
        RunWithdrawn,
        RunEnded,
        RunHeld,
        RunContinued,
        SegmentsPlanned,
        GapSettled,
        OperatorActed,
        OpeningFixed,
        OpeningCalledOff,
        HoursSet,
        QuietHoursSet,
        VenueChanged,
        ServiceWindowFixed,
        ServiceWindowCalledOff,
    )
)


@dataclass(frozen=True, order=True)
class Newest:
    """The newest event that a forecast is counted from.

    Attributes:
        position, digest: in the log.
        said_at: UTC.
    """

    position: int
    digest: str
    said_at: datetime


def newest_inputs(
    machines: Sequence[Machine], runs: Mapping[str, str], venues: Mapping[str, VenueContext]
) -> dict[str, Newest]:
    """For each machine, by its id, in one query.

    Args:
        machines: their rows.
        runs: of each that has one, the id of the run that its parts are counted for, by machine.
        venues: where they stand, by id.
    """
    of_venues = {id: tuple(_of_venue(venues[id])) for id in {machine.venue_id for machine in machines}}
    streams = {one.id: (*_own(one, runs.get(one.id)), *of_venues[one.venue_id]) for one in machines}
    newest = _newest(set().union(*streams.values()))
    return {id: max(newest[stream] for stream in mine if stream in newest) for id, mine in streams.items()}


def _own(machine: Machine, run: str | None) -> Iterator[str]:
    """Streams of the machine, its model and its run."""
    yield f"machine/{machine.id}"
    yield f"profile/{machine.profile_id}"
    if run is not None:
        yield f"run/{run}"


def _of_venue(there: VenueContext) -> Iterator[str]:
    """Of what people say of a venue: when to change a part is good or bad."""
    yield f"venue/{there.venue.id}"
    yield from (f"opening/{opening.id}" for opening in there.openings_ever)
    yield from (f"service/{window.id}" for window in there.windows)


def _newest(streams: Set[str]) -> dict[str, Newest]:
    """The newest of each stream, by stream: from an index that does not hold what is told as long as all goes as
    planned, and so neither walks through a machine's reports nor through what was said of all others."""
    moving = Event.objects.filter(SAYS_MORE, stream__in=streams, kind__in=INVALIDATED_BY).order_by()
    newest = moving.values("stream").annotate(newest=Max("position")).values("newest")
    rows = Event.objects.filter(position__in=newest).values_list("stream", "position", "digest", "said_at")
    return {stream: Newest(position, digest, said_at) for stream, position, digest, said_at in rows}
