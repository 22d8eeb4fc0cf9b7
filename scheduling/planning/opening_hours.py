"""When a venue is open, in local civil time, and so when it is closed, in UTC.

Hours are what a clock on the wall there shows; what instants those are, only the zone's rules know, day by day. Where
clocks change, a local time may have two readings (`scheduling.sky.civil`): then the doors open at the earlier and close
at the later, so that the doubtful hour counts as open, and nothing is done in it that is meant for an empty house. A
local date that was skipped altogether has no hours.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from itertools import pairwise
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
class OpenSpan:
    """The doors open and close.

    Attributes:
        opens: local time, such as ``10:00``.
        closes: local time; up to ``24:00``, the end of the day. One before ``opens`` is on the next day.
    """

    opens: str
    closes: str

    def __post_init__(self) -> None:
        span_minutes(self.opens, self.closes, ("opens", "closes"))

    @property
    def minutes(self) -> tuple[int, int]:
        """From when to when, in minutes that a clock without changes counts from the day's beginning."""
        return span_minutes(self.opens, self.closes, ("opens", "closes"))


@dataclass(frozen=True, kw_only=True)
class Week:
    """The open spans that begin on each day of the week; a day without any is closed."""

    monday: tuple[OpenSpan, ...] = ()
    tuesday: tuple[OpenSpan, ...] = ()
    wednesday: tuple[OpenSpan, ...] = ()
    thursday: tuple[OpenSpan, ...] = ()
    friday: tuple[OpenSpan, ...] = ()
    saturday: tuple[OpenSpan, ...] = ()
    sunday: tuple[OpenSpan, ...] = ()

    def __post_init__(self) -> None:
        require_week(self.days)

    @property
    def days(self) -> tuple[tuple[OpenSpan, ...], ...]:
        """The spans of each day, Monday first, as `datetime.date.weekday` counts them."""
        return tuple(getattr(self, day) for day in DAYS)


@dataclass(frozen=True, kw_only=True)
class DateHours:
    """A single date with hours of its own, instead of its weekday's; closed where ``open`` is empty."""

    date: str
    open: tuple[OpenSpan, ...] = ()

    def __post_init__(self) -> None:
        read_date("date", self.date)
        require_day("open", self.open)


@dataclass(frozen=True, kw_only=True)
class Hours:
    """When a venue is open, by the clocks of its zone: every week, and on single dates that differ."""

    week: Week
    dates: tuple[DateHours, ...] = ()

    def __post_init__(self) -> None:
        require_dates([one.date for one in self.dates])

    def on(self, day: date) -> tuple[OpenSpan, ...]:
        """The spans that begin on a local date."""
        return on_date(day, {one.date: one.open for one in self.dates}, self.week.days)


def open_spans(hours: Hours, zone: ZoneInfo, start: datetime, end: datetime) -> tuple[Instants, ...]:
    """When the doors are open between two instants, UTC; in order, apart from one another, and cut to what was asked.

    Args:
        hours: by the clocks of the zone.
        zone: the venue's.
        start, end: aware.
    """
    return spans_between(hours.on, zone, start, end)


def closed_spans(hours: Hours, zone: ZoneInfo, start: datetime, end: datetime) -> tuple[Instants, ...]:
    """When nobody is let in between two instants: all that `open_spans` leaves, UTC and in order."""
    edges = [start, *(edge for span in open_spans(hours, zone, start, end) for edge in span), end]
    return tuple((first, last) for first, last in list(pairwise(edges))[::2] if first < last)
