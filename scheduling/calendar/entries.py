"""An entry of a calendar, how it is named, and how an instant is told in it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Literal
from uuid import UUID, uuid5

from scheduling.log.models import Venue
from scheduling.sky.zones import zone

Category = Literal["opening", "hours", "service", "run", "supplies", "sky"]


@dataclass(frozen=True, kw_only=True)
class CalendarEntry:
    """Something that a calendar shows.

    Attributes:
        uid: its name for ever, everywhere.
        venue: id of the one that it is of; None for what is the same at every venue.
        starts_at: an instant, UTC; or a date of the venue, for the whole of that day.
        ends_at: UTC; None for an instant, and for a whole day.
        category: what kind of thing it is.
        title, description: in words; ``description`` may be several lines.
        names_venue: whether the title has the venue's name in it.
        changed_at: when it last became what it is, UTC.
        revision: how often it was something else before, as far as that is counted.
        is_cancelled: it stands there so that whoever has it learns that it does not take place.
    """

    uid: str
    venue: str | None
    starts_at: datetime | date
    ends_at: datetime | None = None
    category: Category
    title: str
    description: str
    names_venue: bool = False
    changed_at: datetime
    revision: int = 0
    is_cancelled: bool = False


@dataclass(frozen=True)
class CalendarSpan:
    """From an instant until before another, UTC."""

    start: datetime
    end: datetime

    @classmethod
    def around(cls, now: datetime, back: timedelta, ahead: timedelta) -> CalendarSpan:
        """Whole days of UTC around an instant, so that the same is shown all day."""
        first, last = ((at.astimezone(UTC)).date() for at in (now - back, now + ahead))
        return cls(midnight(first), midnight(last) + timedelta(days=1))


def uid_of(names: UUID, what: str) -> str:
    """The name of an entry; ``names`` is of the venue, ``what`` says which entry of its calendar."""
    return str(uuid5(names, what))


def by_the_clock(at: datetime, venue: Venue) -> str:
    """An instant as people at the venue read it."""
    return f"{at.astimezone(zone(venue.zone)):%Y-%m-%d %H:%M} by the clock of {venue.zone}"


def midnight(day: date) -> datetime:
    """When a date begins, UTC."""
    return datetime(day.year, day.month, day.day, tzinfo=UTC)
