"""Service windows: stretches of time in which somebody with hands is at a venue, to change roll, cartridge or blade.

A window comes once, from an instant that an anchor names (`scheduling.sky.anchors`), or every week by the clocks of the
venue's zone. Where clocks change, a weekly window reaches from the earlier reading of its beginning to the later one of
its end, as opening hours do (`scheduling.planning.local_spans`); the local time of an anchor must say which is meant.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal, get_args
from zoneinfo import ZoneInfo

from machines.errors import InputError
from scheduling.planning.local_spans import Instants, instants_on, local_date, read_date, span_minutes
from scheduling.sky import anchors
from scheduling.sky.places import Place

Weekday = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
WEEK = timedelta(days=7)
LONGEST_MINUTES = 7 * 24 * 60


@dataclass(frozen=True, kw_only=True)
class Once:
    """A window that comes once.

    Attributes:
        anchor: when it begins, as an opening has it.
        minutes: how long it lasts.
    """

    kind: Literal["once"] = "once"
    anchor: dict[str, Any]
    minutes: int

    def __post_init__(self) -> None:
        if not 1 <= self.minutes <= LONGEST_MINUTES:
            raise InputError("minutes", f"{self.minutes} minutes", f"give 1 to {LONGEST_MINUTES}, a week")


@dataclass(frozen=True, kw_only=True)
class Weekly:
    """A window that comes every week, by the clocks of the venue's zone.

    Attributes:
        weekday: on which it begins.
        begins: local time, such as ``10:00``.
        ends: local time, up to ``24:00``; one before ``begins`` is on the next day.
        last_date: local date after which it begins no more, such as ``2026-12-24``; None for no end.
        first_date: local date before which it does not begin; None where it always did.
    """

    kind: Literal["weekly"] = "weekly"
    weekday: Weekday
    begins: str
    ends: str
    last_date: str | None = None
    first_date: str | None = None

    def __post_init__(self) -> None:
        span_minutes(self.begins, self.ends, ("begins", "ends"))
        for name, day in (("first_date", self.first_date), ("last_date", self.last_date)):
            if day is not None:
                read_date(name, day)
        if None not in (self.first_date, self.last_date) and str(self.first_date) > str(self.last_date):
            raise InputError("last_date", "before the first date", f"give {self.first_date} or later, or none")


Comes = Once | Weekly


@dataclass(frozen=True, kw_only=True)
class ServiceWindow:
    """A window at a venue.

    Attributes:
        id, name: its own.
        comes: as it was asked for.
        begins_at: of one that comes once, its anchor's instant, UTC; None for a weekly one.
        dates_off: local dates, such as ``2026-12-24``, on which a weekly one does not begin.
    """

    id: str
    name: str
    comes: Comes
    begins_at: datetime | None
    dates_off: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class ServiceSpan:
    """One time that a window comes.

    Attributes:
        window: its id.
        name: of the window.
        starts_at, ends_at: UTC.
    """

    window: str
    name: str
    starts_at: datetime
    ends_at: datetime


def begins_at(comes: Comes, place: Place, zone: ZoneInfo) -> datetime | None:
    """The instant (UTC) at which a window that comes once begins at a venue; None for a weekly one.

    Raises:
        InputError: the anchor cannot be read, or names no instant or more than one; see `anchors.resolve`.
    """
    if isinstance(comes, Weekly):
        return None
    try:
        return anchors.resolve(anchors.parse(comes.anchor), place, zone)
    except InputError as error:
        raise error.within("anchor") from None


def spans(
    windows: Iterable[ServiceWindow], zone: ZoneInfo, starts_at: datetime, ends_at: datetime
) -> list[ServiceSpan]:
    """Each time that windows come between two instants, whole where they reach beyond these; in order of time.

    Windows that overlap stay apart: each is somebody's coming.

    Args:
        windows: of a venue.
        zone: the venue's.
        starts_at, ends_at: aware; a window counts that ends after the first and begins before the second.
    """
    found = [
        ServiceSpan(window=one.id, name=one.name, starts_at=begins, ends_at=ends)
        for one in windows
        for begins, ends in _comings(one, zone, starts_at, ends_at)
        if begins < ends_at and ends > starts_at
    ]
    return sorted(found, key=lambda span: (span.starts_at, span.ends_at, span.window))


def require_comes_on(comes: Comes, day: str) -> None:
    """Raise an InputError, whose field is ``date``, unless a window comes every week and begins on a local date."""
    if not isinstance(comes, Weekly):
        raise InputError("date", "given for a window that comes once", "leave it out, and call the window off")
    at = read_date("date", day)
    anchors.require_year("date", at.year)
    if get_args(Weekday)[at.weekday()] != comes.weekday:
        raise InputError("date", f"{day} is not a {comes.weekday.title()}", "give a date on which the window begins")
    if comes.first_date is not None and day < comes.first_date:
        raise InputError("date", f"{day} is before the window's first date", f"give one from {comes.first_date} on")
    if comes.last_date is not None and day > comes.last_date:
        raise InputError("date", f"{day} is after the window's last date", f"give one up to {comes.last_date}")


def last_before(spans: Iterable[ServiceSpan], end: datetime) -> ServiceSpan | None:
    """The last span, of several in order of time, that begins before an instant; None where none does."""
    return max((one for one in spans if one.starts_at < end), key=lambda one: one.starts_at, default=None)


def _comings(window: ServiceWindow, zone: ZoneInfo, starts_at: datetime, ends_at: datetime) -> Iterator[Instants]:
    """The times that a window comes, and a few more on either side."""
    if isinstance(window.comes, Weekly):
        yield from _weekly(window.comes, window.dates_off, zone, starts_at, ends_at)
    elif window.begins_at is not None:
        yield window.begins_at, window.begins_at + timedelta(minutes=window.comes.minutes)


def _weekly(
    comes: Weekly, dates_off: tuple[str, ...], zone: ZoneInfo, starts_at: datetime, ends_at: datetime
) -> Iterator[Instants]:
    minutes = span_minutes(comes.begins, comes.ends, ("begins", "ends"))
    # Two days cover a span that runs into the next day, and a change of clocks or of the date on top of it.
    day, last = local_date(starts_at, zone) - timedelta(days=2), local_date(ends_at, zone) + timedelta(days=1)
    if comes.last_date is not None:
        last = min(last, read_date("last_date", comes.last_date))
    if comes.first_date is not None:
        day = max(day, read_date("first_date", comes.first_date))
    day += timedelta(days=(get_args(Weekday).index(comes.weekday) - day.weekday()) % 7)
    while day <= last:
        span = None if day.isoformat() in dates_off else instants_on(day, minutes, zone)
        if span is not None:
            yield span
        day += WEEK
