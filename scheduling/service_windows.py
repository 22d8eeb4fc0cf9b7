"""The service windows of a venue: calling one off, and the times that they come."""

from __future__ import annotations

from datetime import datetime

from machines.structure import structure
from scheduling.log import models
from scheduling.log.events import ServiceWindowCalledOff
from scheduling.log.store import Append, Attribution, append, stream_version
from scheduling.named import require
from scheduling.override import require_reason
from scheduling.planning.service_windows import Comes, ServiceSpan, ServiceWindow, spans
from scheduling.sky.zones import zone


def call_off(window: str, reason: str | None, by: Attribution) -> None:
    """From now on nobody comes in a window; its row stays, marked. Called off already, nothing is written.

    Args:
        window: its id.
        reason: why, in the person's words.
        by: who says so.

    Raises:
        Unknown: there is no such window.
        InputError: the reason is too long.
        LostRace: somebody else changed the window meanwhile.
    """
    stream = f"service/{window}"
    version = stream_version(stream)
    row = require(models.ServiceWindow, "service window", window)
    require_reason(reason)
    if row.called_off_at is None:
        append([Append(stream, version, [ServiceWindowCalledOff(reason=reason or None)])], by)


def windows_of(venue: models.Venue, starts_at: datetime, ends_at: datetime) -> list[ServiceSpan]:
    """Each time between two instants that somebody is at a venue to change parts, of windows not called off; see
    `scheduling.planning.service_windows.spans`."""
    rows = models.ServiceWindow.objects.filter(venue_id=venue.id, called_off_at=None)
    return spans(map(as_planned, rows), zone(venue.zone), starts_at, ends_at)


def as_planned(row: models.ServiceWindow) -> ServiceWindow:
    """A row as the planning takes it."""
    return ServiceWindow(
        id=row.id,
        name=row.name,
        comes=structure(row.comes, Comes),  # type: ignore[arg-type]
        begins_at=row.begins_at,
    )
