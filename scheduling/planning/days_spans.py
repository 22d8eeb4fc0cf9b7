"""Spans by days: every week, and on single dates that differ. What hours and quiet hours of a venue have in common.

Each spells its week out: of a class for both, with the kind of span left open, no description of the API can be made.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Protocol, TypeVar
from zoneinfo import ZoneInfo

from machines.errors import InputError
from scheduling.planning.local_spans import DAY_MINUTES, Instants, instants_on, local_date

WEEK_MINUTES = 7 * DAY_MINUTES
MOST_SPANS, MOST_DATES = 12, 400
DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


class DaySpan(Protocol):
    """A span that begins on a local date."""

    @property
    def minutes(self) -> tuple[int, int]:
        """From when to when, in minutes that a clock without changes counts from the day's beginning."""


Spans = TypeVar("Spans")


def on_date(day: date, dates: Mapping[str, Spans], week: Sequence[Spans]) -> Spans:
    """What is said of a local date, or else of its day of the week, Monday first."""
    return dates.get(day.isoformat(), week[day.weekday()])


def require_week(days: Sequence[Sequence[DaySpan]]) -> None:
    """Refuse too many spans in a day, and spans that overlap, round the end of the week too; they may touch.

    Raises:
        InputError: names the day, and the span where it is one.
    """
    for day, spans in zip(DAYS, days, strict=True):
        _require_few(day, spans)
    _require_apart(
        (f"{day}[{index}]", number * DAY_MINUTES, span)
        for number, (day, spans) in enumerate(zip(DAYS, days, strict=True))
        for index, span in enumerate(spans)
    )


def require_day(field: str, spans: Sequence[DaySpan]) -> None:
    """The same of a single date; ``field`` is what errors call its spans.

    Raises:
        InputError: names the span.
    """
    _require_few(field, spans)
    _require_apart((f"{field}[{index}]", 0, span) for index, span in enumerate(spans))


def require_dates(dates: Sequence[str]) -> None:
    """Refuse too many dates, and one that stands twice.

    Raises:
        InputError: names it.
    """
    if len(dates) > MOST_DATES:
        raise InputError("dates", f"{len(dates)} dates", f"give at most {MOST_DATES}; leave out those past")
    seen: set[str] = set()
    for index, one in enumerate(dates):
        if one in seen:
            raise InputError(f"dates[{index}].date", f"{one} stands twice", "give each date once")
        seen.add(one)


def spans_between(
    on: Callable[[date], Sequence[DaySpan]], zone: ZoneInfo, start: datetime, end: datetime
) -> tuple[Instants, ...]:
    """The spans between two instants, UTC; in order, apart from one another, and cut to what was asked.

    Args:
        on: the spans that begin on a local date, by the clocks of the zone.
        zone: the venue's.
        start, end: aware.
    """
    found: list[Instants] = []
    for begins, ends in sorted(_instants(on, zone, start, end)):
        begins, ends = max(begins, start), min(ends, end)
        if begins >= ends:
            continue
        if found and begins <= found[-1][1]:
            found[-1] = found[-1][0], max(found[-1][1], ends)
        else:
            found.append((begins, ends))
    return tuple(found)


def _instants(
    on: Callable[[date], Sequence[DaySpan]], zone: ZoneInfo, start: datetime, end: datetime
) -> Iterator[Instants]:
    """Every span that begins on a local date near, as instants."""
    day, last = local_date(start, zone) - timedelta(days=2), local_date(end, zone) + timedelta(days=1)
    while day <= last:
        for span in on(day):
            if (found := instants_on(day, span.minutes, zone)) is not None:
                yield found
        day += timedelta(days=1)


def _require_few(field: str, spans: Sequence[DaySpan]) -> None:
    if len(spans) > MOST_SPANS:
        raise InputError(field, f"{len(spans)} spans in a day", f"give at most {MOST_SPANS}")


def _require_apart(spans: Iterable[tuple[str, int, DaySpan]]) -> None:
    placed = sorted((base + span.minutes[0], base + span.minutes[1], name) for name, base, span in spans)
    around = [*placed, *((first + WEEK_MINUTES, end + WEEK_MINUTES, name) for first, end, name in placed[:1])]
    for (_, end, before), (first, _, name) in pairwise(around):
        if first < end and before != name:
            raise InputError(name, f"begins before {before} ends", "let one end before the next begins, or make it one")
