"""The times that the service windows of a venue come."""

from __future__ import annotations

from datetime import datetime

from machines.serialization import structure
from scheduling.log import models
from scheduling.planning.service_windows import Comes, ServiceSpan, ServiceWindow, spans
from scheduling.queries.venue_context import VenueContext


def windows_of(there: VenueContext, starts_at: datetime, ends_at: datetime) -> list[ServiceSpan]:
    """Each time between two instants that somebody is at a venue to change parts; of a window that was called off those
    that were over by then, for somebody was there. See `scheduling.planning.service_windows.spans`."""
    stood = [row for row in there.windows if row.called_off_at is None or row.called_off_at > starts_at]
    off_at = {row.id: row.called_off_at for row in stood}
    found = spans(map(as_planned, stood), there.clock, starts_at, ends_at)
    return [one for one in found if (off := off_at[one.window]) is None or one.ends_at <= off]


def as_planned(row: models.ServiceWindow) -> ServiceWindow:
    """A row as the planning takes it."""
    return ServiceWindow(
        id=row.id,
        name=row.name,
        comes=structure(row.comes, Comes),
        begins_at=row.begins_at,
        dates_off=tuple(row.dates_off),
    )
