"""When the service windows of a venue come next, and which come no more."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from scheduling.log.models import ServiceWindow as Row
from scheduling.planning.service_windows import ServiceSpan, ServiceWindow, Weekly, spans
from scheduling.queries.venue_context import VenueContext
from scheduling.sky.civil import day_bounds
from scheduling.venues.service_windows import as_planned, windows_of

# How far ahead it is told when a weekly window comes, of all windows and in a sentence.
LOOK_AHEAD, SOON = timedelta(days=92), timedelta(days=28)
# One that comes once is looked for until shortly after its beginning.
A_MOMENT = timedelta(minutes=1)


@dataclass(frozen=True)
class WindowsByTime:
    """The windows of a venue.

    Attributes:
        coming: those to come, each with when it does, the soonest first.
        over: those that come no more, or not soon.
        off: those that were called off, in the order in which they were.
    """

    coming: tuple[tuple[ServiceWindow, ServiceSpan], ...]
    over: tuple[ServiceWindow, ...]
    off: tuple[Row, ...]


def windows_by_time(there: VenueContext, now: datetime) -> WindowsByTime:
    """The windows of a venue at an instant."""
    standing = [as_planned(row) for row in there.windows if row.called_off_at is None]
    found = [(window, coming_times(window, there.clock, now)[:1]) for window in standing]
    to_come = [(window, soonest[0]) for window, soonest in found if soonest]
    off = [(row.called_off_at, row) for row in there.windows if row.called_off_at is not None]
    return WindowsByTime(
        coming=tuple(sorted(to_come, key=lambda one: one[1].starts_at)),
        over=tuple(window for window, soonest in found if not soonest),
        off=tuple(row for _, row in sorted(off, key=lambda one: one[0])),
    )


def coming_times(window: ServiceWindow, clock: ZoneInfo, now: datetime) -> list[ServiceSpan]:
    """The next times that a window comes by a venue's clock, the present one included."""
    return spans([window], clock, now, _looked_until(window, clock, now))


def _looked_until(window: ServiceWindow, clock: ZoneInfo, now: datetime) -> datetime:
    if window.begins_at is not None:
        return max(now, window.begins_at) + A_MOMENT
    if isinstance(window.comes, Weekly) and window.comes.first_date is not None:
        return max(now, day_bounds(date.fromisoformat(window.comes.first_date), clock)[0]) + LOOK_AHEAD
    return now + LOOK_AHEAD


def times_on(window: ServiceWindow, clock: ZoneInfo, day: date) -> list[ServiceSpan]:
    """The times that a window begins on a local date, be they over or not."""
    begins, ends = day_bounds(day, clock)
    return [one for one in spans([window], clock, begins, ends) if begins <= one.starts_at]


def window_now_or_soon(there: VenueContext, now: datetime) -> ServiceSpan | None:
    """The service window that is now, or the next within four weeks; None where none is."""
    return next(iter(windows_of(there, now, now + SOON)), None)
