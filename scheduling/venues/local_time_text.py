"""Local times in words, as a venue's clock shows them."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from django.utils.translation import gettext as _

from scheduling.log.models import Machine, Venue
from scheduling.sky.civil import instant_in_words, offset_of, readings
from scheduling.sky.zones import zone

HALF_MINUTE = timedelta(seconds=30)


def span_in_words(begins: datetime, ends: datetime, clock: ZoneInfo, day: Callable[[datetime], str]) -> str:
    """Local times to the nearest minute, whose dates are given once where they are the same.

    Args:
        begins, ends: aware.
        clock: of the venue.
        day: how the date of a local time is said.

    A time that the clock shows twice is told with what the clock is called then, such as ``01:30 WET``.
    """
    begins, ends = ((at + HALF_MINUTE).astimezone(clock) for at in (begins, ends))
    first, last, changed = time_in_words(begins, clock), time_in_words(ends, clock), ""
    if begins.utcoffset() != ends.utcoffset():
        changed = _(", between which the clocks change")
    elif first == last and begins.date() == ends.date():
        return _("at {time} on {day}").format(time=first, day=day(begins))
    if begins.date() != ends.date():
        said = _("between {first} on {day} and {last} on {other_day}")
        return said.format(first=first, day=day(begins), last=last, other_day=day(ends)) + changed
    return _("between {first} and {last} on {day}").format(first=first, last=last, day=day(ends)) + changed


def instant_at_machine(at: datetime, machine: str) -> str:
    """An instant as a sentence says it, by the clock where a machine stands; by UTC where that is not known any more.

    Args:
        at: aware.
        machine: its id.
    """
    found = Machine.objects.filter(id=machine).values_list("venue__zone", flat=True).first()
    return instant_in_words(at, None if found is None else zone(found))


def venue_time(at: datetime, venue: Venue) -> str:
    """An instant by a venue's clock; see `moment_in_words`."""
    return moment_in_words(at, zone(venue.zone))


def moment_in_words(at: datetime, clock: ZoneInfo) -> str:
    """An instant as a date and a time of day, such as ``2026-03-21 14:02``; see `time_in_words`."""
    local = at.astimezone(clock)
    return f"{local:%Y-%m-%d} {time_in_words(local, clock)}"


def time_in_words(local: datetime, clock: ZoneInfo) -> str:
    """A time of day; where the clock shows it twice, with its abbreviation, or its offset if it has none."""
    shown = f"{local:%H:%M}"
    if len(readings(local.replace(tzinfo=None), clock)) == 1:
        return shown
    name = local.tzname() or ""
    return f"{shown} {name}" if name.isalpha() else f"{shown} UTC{offset_of(local)}"
