"""The service windows of a venue: calling one off, and the times that they come."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction

from machines.chance import Chance
from machines.serialization import structure
from scheduling.log import models
from scheduling.log.events.studio import ServiceWindowCalledOff
from scheduling.log.remarks import keep, require_length
from scheduling.log.store import Append, Attribution, append, stream_version
from scheduling.planning.service_windows import Comes, ServiceSpan, ServiceWindow, require_comes_on, spans
from scheduling.queries.names import require
from scheduling.queries.venue_context import VenueContext


def call_off(window: str, reason: str | None, by: Attribution, chance: Chance, date: str | None = None) -> None:
    """From now on nobody comes in a window, or not on one date; its row stays, marked. Called off already, nothing is
    written.

    Args:
        window: its id.
        reason: why, in the person's words.
        by: who says so.
        chance: see `scheduling.log.remarks.keep`.
        date: local date on which a weekly window does not begin; None for the whole window.

    Raises:
        Unknown: there is no such window.
        InputError: the reason is too long, or the window does not begin on that date.
        VersionConflict: somebody else changed the window meanwhile.
    """
    stream = f"service/{window}"
    version = stream_version(stream)
    row = require(models.ServiceWindow, "service window", window)
    require_length(reason)
    if date is not None:
        require_comes_on(as_planned(row).comes, date)
    if row.called_off_at is None and date not in row.dates_off:
        with transaction.atomic():
            append([Append(stream, version, [ServiceWindowCalledOff(remark=keep(reason, chance), date=date)])], by)


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
