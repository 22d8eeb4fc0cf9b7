"""When it is to be quiet at a venue, as where somebody sleeps above: the knife does not move, and no idle nozzle fires.

They are by the clock on the wall, as opening hours are (`scheduling.planning.opening_hours`). Where clocks change, a
local time may have two readings: then they begin at the earlier and end at the later, so that the doubtful hour is
quiet.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from zoneinfo import ZoneInfo

from scheduling.planning.days_spans import (
    DAYS,
    on_date,
    require_dates,
    require_day,
    require_week,
    spans_between,
)
from scheduling.planning.local_spans import Instants, read_date, span_minutes


@dataclass(frozen=True, kw_only=True)
class QuietSpan:
    """It is to be quiet.

    Attributes:
        begins: local time, such as ``22:00``.
        ends: local time; up to ``24:00``, the end of the day. One before ``begins`` is on the next day.
    """

    begins: str
    ends: str

    def __post_init__(self) -> None:
        span_minutes(self.begins, self.ends, ("begins", "ends"))

    @property
    def minutes(self) -> tuple[int, int]:
        """From when to when, in minutes that a clock without changes counts from the day's beginning."""
        return span_minutes(self.begins, self.ends, ("begins", "ends"))


@dataclass(frozen=True, kw_only=True)
class QuietWeek:
    """The quiet spans that begin on each day of the week."""

    monday: tuple[QuietSpan, ...] = ()
    tuesday: tuple[QuietSpan, ...] = ()
    wednesday: tuple[QuietSpan, ...] = ()
    thursday: tuple[QuietSpan, ...] = ()
    friday: tuple[QuietSpan, ...] = ()
    saturday: tuple[QuietSpan, ...] = ()
    sunday: tuple[QuietSpan, ...] = ()

    def __post_init__(self) -> None:
        require_week(self.days)

    @property
    def days(self) -> tuple[tuple[QuietSpan, ...], ...]:
        """The spans of each day, Monday first, as `datetime.date.weekday` counts them."""
        return tuple(getattr(self, day) for day in DAYS)


@dataclass(frozen=True, kw_only=True)
class QuietDate:
    """A single date with quiet spans of its own, instead of its weekday's; none where ``quiet`` is empty."""

    date: str
    quiet: tuple[QuietSpan, ...] = ()

    def __post_init__(self) -> None:
        read_date("date", self.date)
        require_day("quiet", self.quiet)


@dataclass(frozen=True, kw_only=True)
class QuietHours:
    """When it is to be quiet, by the clocks of the venue's zone: every week, and on single dates that differ."""

    week: QuietWeek = field(default_factory=QuietWeek)
    dates: tuple[QuietDate, ...] = ()

    def __post_init__(self) -> None:
        require_dates([one.date for one in self.dates])

    def on(self, day: date) -> tuple[QuietSpan, ...]:
        """The spans that begin on a local date."""
        return on_date(day, {one.date: one.quiet for one in self.dates}, self.week.days)


def quiet_spans(hours: QuietHours, zone: ZoneInfo, start: datetime, end: datetime) -> tuple[Instants, ...]:
    """When it is to be quiet between two instants, UTC; in order, apart from one another, and cut to what was asked.

    Args:
        hours: by the clocks of the zone.
        zone: the venue's.
        start, end: aware.
    """
    return spans_between(hours.on, zone, start, end)
