"""When a venue is open, in local civil time, and so when it is closed, in UTC.

Hours are what a clock on the wall there shows; what instants those are, only the zone's rules know, day by day. Where
clocks change, a local time may have two readings (`scheduling.sky.civil`): then the doors open at the earlier and close
at the later, so that the doubtful hour counts as open, and nothing is done in it that is meant for an empty house. A
local date that was skipped altogether has no hours.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields
from datetime import date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from machines.errors import InputError
from scheduling.planning.local_spans import DAY_MINUTES, Instants, instants_on, local_date, read_date, span_minutes

WEEK_MINUTES = 7 * DAY_MINUTES
MOST_SPANS, MOST_DATES = 12, 400


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
        for day, spans in zip(DAYS, self.days, strict=True):
            _require_few(day, spans)
        _require_apart(
            (f"{day}[{index}]", number * DAY_MINUTES, span)
            for number, (day, spans) in enumerate(zip(DAYS, self.days, strict=True))
            for index, span in enumerate(spans)
        )

    @property
    def days(self) -> tuple[tuple[OpenSpan, ...], ...]:
        """The spans of each day, Monday first, as `datetime.date.weekday` counts them."""
        return tuple(getattr(self, day) for day in DAYS)


DAYS = tuple(field.name for field in fields(Week))


@dataclass(frozen=True, kw_only=True)
class DateHours:
    """A single date with hours of its own, instead of its weekday's; closed where ``open`` is empty."""

    date: str
    open: tuple[OpenSpan, ...] = ()

    def __post_init__(self) -> None:
        read_date("date", self.date)
        _require_few("open", self.open)
        _require_apart((f"open[{index}]", 0, span) for index, span in enumerate(self.open))


@dataclass(frozen=True, kw_only=True)
class Hours:
    """When a venue is open, by the clocks of its zone: every week, and on single dates that differ."""

    week: Week
    dates: tuple[DateHours, ...] = ()

    def __post_init__(self) -> None:
        if len(self.dates) > MOST_DATES:
            raise InputError("dates", f"{len(self.dates)} dates", f"give at most {MOST_DATES}; leave out those past")
        seen: set[str] = set()
        for index, one in enumerate(self.dates):
            if one.date in seen:
                raise InputError(f"dates[{index}].date", f"{one.date} stands twice", "give each date once")
            seen.add(one.date)

    def on(self, day: date) -> tuple[OpenSpan, ...]:
        """The spans that begin on a local date."""
        for one in self.dates:
            if one.date == day.isoformat():
                return one.open
        return self.week.days[day.weekday()]


def open_spans(hours: Hours, zone: ZoneInfo, start: datetime, end: datetime) -> tuple[Instants, ...]:
    """When the doors are open between two instants, UTC; in order, apart from one another, and cut to what was asked.

    Args:
        hours: by the clocks of the zone.
        zone: the venue's.
        start, end: aware.
    """
    found: list[Instants] = []
    for opens, closes in sorted(_instants(hours, zone, start, end)):
        opens, closes = max(opens, start), min(closes, end)
        if opens >= closes:
            continue
        if found and opens <= found[-1][1]:
            found[-1] = found[-1][0], max(found[-1][1], closes)
        else:
            found.append((opens, closes))
    return tuple(found)


def closed_spans(hours: Hours, zone: ZoneInfo, start: datetime, end: datetime) -> tuple[Instants, ...]:
    """When nobody is let in between two instants: all that `open_spans` leaves, UTC and in order."""
    edges = [start, *(edge for span in open_spans(hours, zone, start, end) for edge in span), end]
    return tuple((first, last) for first, last in list(pairwise(edges))[::2] if first < last)


def _instants(hours: Hours, zone: ZoneInfo, start: datetime, end: datetime) -> Iterator[Instants]:
    """Every span that begins on a local date near, as instants."""
    day, last = local_date(start, zone) - timedelta(days=2), local_date(end, zone) + timedelta(days=1)
    while day <= last:
        for span in hours.on(day):
            if (found := instants_on(day, span.minutes, zone)) is not None:
                yield found
        day += timedelta(days=1)


def _require_few(field: str, spans: tuple[OpenSpan, ...]) -> None:
    if len(spans) > MOST_SPANS:
        raise InputError(field, f"{len(spans)} spans in a day", f"give at most {MOST_SPANS}")


def _require_apart(spans: Iterable[tuple[str, int, OpenSpan]]) -> None:
    """Refuse spans that overlap, round the end of the week too; they may touch."""
    placed = sorted((base + span.minutes[0], base + span.minutes[1], name) for name, base, span in spans)
    around = [*placed, *((first + WEEK_MINUTES, end + WEEK_MINUTES, name) for first, end, name in placed[:1])]
    for (_, end, before), (first, _, name) in pairwise(around):
        if first < end and before != name:
            raise InputError(
                name, f"opens before {before} closes", "let one close before the next opens, or make it one"
            )
