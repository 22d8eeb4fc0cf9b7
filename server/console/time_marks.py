"""Marks of local time along an axis: hours, days, months or years, as many as there is room for."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from scheduling.sky.civil import readings
from scheduling.venues.local_time_text import time_in_words

STEPS_H = (1, 2, 3, 6, 12)
STEPS_D = (1, 2, 7, 14)
STEPS_MONTHS = (1, 3, 6, 12, 60, 120)
DAY, MONTH = timedelta(days=1), timedelta(days=30.4)


@dataclass(frozen=True)
class TimeMark:
    """An instant by a local clock; ``is_day`` where a day begins there."""

    at: datetime
    text: str
    is_day: bool


def time_marks(begins: datetime, ends: datetime, clock: ZoneInfo, most: int) -> list[TimeMark]:
    """The marks within a span, about as many as there is room for."""
    span = ends - begins
    for hours in STEPS_H:
        if span / timedelta(hours=hours) <= most:
            return list(_within(_hours(begins, ends, clock, hours), begins, ends))
    for days in STEPS_D:
        if span / timedelta(days=days) <= most:
            return list(_within(_days(begins, ends, clock, days), begins, ends))
    months = next((one for one in STEPS_MONTHS if span / (one * MONTH) <= most), STEPS_MONTHS[-1])
    return list(_within(_months(begins, ends, clock, months), begins, ends))


def _within(marks: Iterator[TimeMark], begins: datetime, ends: datetime) -> Iterator[TimeMark]:
    return (mark for mark in marks if begins <= mark.at < ends)


def _hours(begins: datetime, ends: datetime, clock: ZoneInfo, step: int) -> Iterator[TimeMark]:
    """By the clock on the wall: where clocks change, two marks are nearer to each other, or further apart, and a time
    that comes twice has a mark for each, which says which."""
    day, last = _local_days(begins, ends, clock)
    while day <= last:
        for hour in range(0, 24, step):
            shown = datetime.combine(day, time(hour))
            for number, reading in enumerate(readings(shown, clock)):
                local, is_day = reading.utc.astimezone(clock), hour == 0 and number == 0
                if local.replace(tzinfo=None, fold=0) == shown:  # and not skipped
                    text = f"{day:%a} {day.day}" if is_day else time_in_words(local, clock)
                    yield TimeMark(reading.utc, text, is_day)
        day += DAY


def _days(begins: datetime, ends: datetime, clock: ZoneInfo, step: int) -> Iterator[TimeMark]:
    day, last = _local_days(begins, ends, clock)
    while day <= last:
        if (day.toordinal() - 1) % step == 0:  # weeks begin on Monday
            yield TimeMark(_midnight(day, clock), f"{day.day} {day:%b}", True)
        day += DAY


def _months(begins: datetime, ends: datetime, clock: ZoneInfo, step: int) -> Iterator[TimeMark]:
    first, last = _local_days(begins, ends, clock)
    for number in range(first.year * 12 + first.month - 1, last.year * 12 + last.month):
        if number % step == 0:
            day = date(number // 12, number % 12 + 1, 1)
            text = f"{day:%Y}" if step >= 12 else f"{day:%b %Y}" if day.month == 1 else f"{day:%b}"
            yield TimeMark(_midnight(day, clock), text, True)


def _midnight(day: date, clock: ZoneInfo) -> datetime:
    return datetime.combine(day, time(), clock).astimezone(UTC)


def _local_days(begins: datetime, ends: datetime, clock: ZoneInfo) -> tuple[date, date]:
    return begins.astimezone(clock).date(), ends.astimezone(clock).date()
