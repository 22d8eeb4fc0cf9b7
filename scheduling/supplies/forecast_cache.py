"""A machine's forecast, made once an hour unless something moved it.

It counts the dots of every plate of the run, and whoever reaches the server may ask for the pages and the calendars
that tell of it again and again.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import lru_cache

from scheduling.log.models import Machine
from scheduling.queries.machine_context import MachineContext, machine_context
from scheduling.queries.newest_change import Views
from scheduling.rendering.plate_store import PlateStore
from scheduling.supplies.forecast import Forecast, forecast


@dataclass(frozen=True)
class KeptForecast:
    """A forecast as of the beginning of the hour, and when what it is counted from last changed, UTC."""

    forecast: Forecast
    moved_at: datetime


@dataclass(frozen=True)
class _Asked:
    """A forecast that is asked for; how it is made is no part of which it is."""

    machine: str
    run: str | None
    newest: str
    stand: Views
    hour: datetime
    plates: PlateStore
    within: Callable[[], AbstractContextManager[object]] = field(compare=False)


def kept_forecast(
    context: MachineContext,
    now: datetime,
    plates: PlateStore,
    within: Callable[[], AbstractContextManager[object]] = nullcontext,
) -> KeptForecast:
    """The forecast of a machine for the run that it is on or will be on next.

    Args:
        context: the machine.
        now: this instant, UTC.
        plates: where plates lie.
        within: gives what one that is not kept is made within.

    Raises:
        PlateGone: not one of the plates is there.
    """
    newest = context.group.forecast_inputs[context.machine.id]
    run = None if context.run_to_come is None else context.run_to_come.id
    asked = _Asked(context.machine.id, run, newest.digest, context.group.views, hour_of(now), plates, within)
    return KeptForecast(_kept(asked), newest.said_at)


def input_changed_at(context: MachineContext) -> datetime:
    """When what a machine's forecast is counted from last changed, UTC."""
    return context.group.forecast_inputs[context.machine.id].said_at


def hour_of(at: datetime) -> datetime:
    """The beginning of the hour of UTC that holds an instant."""
    return at.astimezone(UTC).replace(minute=0, second=0, microsecond=0)


@lru_cache(maxsize=256)
def _kept(asked: _Asked) -> Forecast:
    with asked.within():
        return _counted(asked)


@lru_cache(maxsize=256)
def _counted(asked: _Asked) -> Forecast:
    """Kept once more, as whoever waited to count may find it counted meanwhile. It is counted from what is read now,
    after the newest event was: what whoever asks has read before may be older."""
    context = machine_context(Machine.objects.get(id=asked.machine), asked.hour)
    return forecast(context, asked.hour, asked.plates)
