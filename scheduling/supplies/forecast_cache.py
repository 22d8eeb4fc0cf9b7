"""A machine's forecast, made once an hour unless something moved it.

It counts the dots of every plate of the run, and whoever reaches the server may ask for the pages and the calendars
that tell of it again and again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import lru_cache

from machines.protocol.journal_entries import GapSettled, OperatorActed
from scheduling.log.events import NAMES
from scheduling.log.events.studio import (
    HoursSet,
    MachineAdded,
    MachineCalibrated,
    OpeningFixed,
    RunPlanned,
    SegmentsPlanned,
    ServiceWindowCalledOff,
    ServiceWindowFixed,
)
from scheduling.log.models import Event, Machine, Opening, ServiceWindow
from scheduling.queries.newest_change import Views, views
from scheduling.queries.runs import current_run
from scheduling.rendering.plate_store import PlateStore
from scheduling.supplies.forecast import Forecast, forecast

# What moves the end of a part or what is said of it, and so the date of that. Printing as planned moves none, and of
# what `scheduling.queries.newest_change` takes to move something much does not either, such as feed put right by a
# hair's breadth.
INVALIDATED_BY = tuple(
    NAMES[kind]
    for kind in (
        MachineAdded,
        MachineCalibrated,
        RunPlanned,
        SegmentsPlanned,
        GapSettled,
        OperatorActed,
        OpeningFixed,
        HoursSet,
        ServiceWindowFixed,
        ServiceWindowCalledOff,
    )
)


@dataclass(frozen=True)
class KeptForecast:
    """A forecast as of the beginning of the hour, and when what it is counted from last changed, UTC."""

    forecast: Forecast
    moved_at: datetime


@dataclass(frozen=True)
class _Asked:
    """A forecast that is asked for; how it is made is no part of which it is."""

    machine: str
    newest: str
    stand: Views
    hour: datetime
    plates: PlateStore
    within: Callable[[], AbstractContextManager[object]] = field(compare=False)


def kept_forecast(
    machine: Machine,
    now: datetime,
    plates: PlateStore,
    within: Callable[[], AbstractContextManager[object]] = nullcontext,
) -> KeptForecast:
    """The forecast of a machine for the run that it is on or will be on next.

    Args:
        machine: whose.
        now: this instant, UTC.
        plates: where plates lie.
        within: gives what one that is not kept is made within.

    Raises:
        PlateGone: not one of the plates is there.
    """
    newest = _newest(machine)
    asked = _Asked(machine.id, newest.digest, views(), hour_of(now), plates, within)
    return KeptForecast(_kept(asked), newest.said_at)


def input_changed_at(machine: Machine) -> datetime:
    """When what a machine's forecast is counted from last changed, UTC."""
    return _newest(machine).said_at


def hour_of(at: datetime) -> datetime:
    """The beginning of the hour of UTC that holds an instant."""
    return at.astimezone(UTC).replace(minute=0, second=0, microsecond=0)


def _newest(machine: Machine) -> Event:
    return Event.objects.filter(stream__in=list(_streams(machine)), kind__in=INVALIDATED_BY).order_by("-position")[0]


def _streams(machine: Machine) -> Iterator[str]:
    """Of the machine, its run, and what people say of the venue: when a change is a good one and when a bad one."""
    yield f"machine/{machine.id}"
    run = current_run(machine=machine.id, before=datetime.max.replace(tzinfo=UTC))
    if run is not None:
        yield f"run/{run.id}"
    yield f"venue/{machine.venue_id}"
    for kind, rows in (("opening", Opening.objects), ("service", ServiceWindow.objects)):
        yield from (f"{kind}/{id}" for id in rows.filter(venue_id=machine.venue_id).values_list("id", flat=True))


@lru_cache(maxsize=256)
def _kept(asked: _Asked) -> Forecast:
    with asked.within():
        return _counted(asked.machine, asked.newest, asked.stand, asked.hour, asked.plates)


@lru_cache(maxsize=256)
def _counted(machine: str, newest: str, stand: Views, hour: datetime, plates: PlateStore) -> Forecast:
    """Kept once more, as whoever waited to count may find it counted meanwhile."""
    return forecast(Machine.objects.get(id=machine), hour, plates)
