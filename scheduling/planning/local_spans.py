"""Spans that a clock on a wall shows, such as 10:00 to 18:00 of a local date, and the instants that they are.

Where clocks change, a local time may have two readings (`scheduling.sky.civil`): then a span begins at the earlier and
ends at the later. A local date that was skipped altogether has no spans.
"""

from __future__ import annotations

import re
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from machines.errors import InputError
from scheduling.sky.civil import day_bounds, readings

CLOCK = re.compile(r"([01][0-9]|2[0-3]):([0-5][0-9])", re.ASCII)
DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", re.ASCII)
DAY_MINUTES = 24 * 60

Instants = tuple[datetime, datetime]


def span_minutes(begins: str, ends: str, names: tuple[str, str]) -> tuple[int, int]:
    """From when to when, in minutes that a clock without changes counts from the day's beginning.

    Args:
        begins: local time, such as ``10:00``.
        ends: local time; up to ``24:00``, the end of the day. One before ``begins`` is on the next day.
        names: what errors call the two.

    Raises:
        InputError: one is no local time, or both are the same.
    """
    for name, text in zip(names, (begins, ends), strict=True):
        if not (CLOCK.fullmatch(text) or (name == names[1] and text == "24:00")):
            raise InputError(name, f"{text!r} is no local time", "give one like 09:30, from 00:00 to 23:59")
    if begins == ends:
        problem = f"the same as {names[0]}"
        raise InputError(names[1], problem, "give another time; 00:00 to 24:00 is the whole day")
    first, last = _minutes(begins), _minutes(ends)
    return first, last if last > first else last + DAY_MINUTES


def instants_on(day: date, minutes: tuple[int, int], zone: ZoneInfo) -> Instants | None:
    """A span that begins on a local date, from `span_minutes`, as instants (UTC); None where that date was skipped."""
    begins, ends = day_bounds(day, zone)
    return None if begins == ends else (_reading(day, minutes[0], zone, 0), _reading(day, minutes[1], zone, -1))


def local_date(at: datetime, zone: ZoneInfo) -> date:
    """The date that a calendar on the wall shows."""
    return at.astimezone(zone).date()


def read_date(field: str, text: str) -> date:
    """A date from text.

    Raises:
        InputError: it is none.
    """
    try:
        if not DATE.fullmatch(text):
            raise ValueError
        return date.fromisoformat(text)
    except ValueError:
        raise InputError(field, f"{text!r} is no date", "give one like 2026-12-24") from None


def _reading(day: date, minutes: int, zone: ZoneInfo, which: int) -> datetime:
    """A time of a local date, which may be on the next, as the first (0) or the last (-1) instant that it may mean."""
    days, rest = divmod(minutes, DAY_MINUTES)
    local = datetime.combine(day + timedelta(days=days), time(*divmod(rest, 60)))
    return readings(local, zone)[which].utc


def _minutes(text: str) -> int:
    hours, _, minutes = text.partition(":")
    return 60 * int(hours) + int(minutes)
