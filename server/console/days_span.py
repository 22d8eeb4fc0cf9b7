"""Some days that a page shows along time, as its address names them, by the clock of a venue."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from machines.errors import InputError
from scheduling.sky.civil import day_bounds
from server.console.strip_scale import Box

WIDTH = 1000
DAYS, USUAL_DAYS = (1, 3, 7, 28), 3
FIRST_YEAR, LAST_YEAR = 1900, 2100


@dataclass(frozen=True)
class DaysSpan:
    """So many days by a venue's clock, from a date on; instants are UTC.

    Attributes:
        is_mirrored: whether time runs to the left, as on paper that moves to the right past its head: what is drawn
            there is seen as whoever stands in front of the machine sees it.
    """

    first: date
    days: int
    clock: ZoneInfo
    is_mirrored: bool

    @property
    def begins(self) -> datetime:
        """Midnight at the beginning."""
        return day_bounds(self.first, self.clock)[0]

    @property
    def ends(self) -> datetime:
        """Midnight at the end."""
        return day_bounds(self.first + timedelta(days=self.days - 1), self.clock)[1]

    @property
    def earlier(self) -> str:
        """The first date of as many days before."""
        return (self.first - timedelta(days=self.days)).isoformat()

    @property
    def later(self) -> str:
        """The first date of as many days after."""
        return (self.first + timedelta(days=self.days)).isoformat()

    def x(self, at: datetime) -> float:
        """Where an instant stands, units of the drawing."""
        share = (at - self.begins) / (self.ends - self.begins)
        return round(WIDTH * (1 - share if self.is_mirrored else share), 1)

    def box(self, begins: datetime, ends: datetime) -> Box:
        """From one instant to another, as far as they are within."""
        first, last = sorted((self.x(begins), self.x(ends)))
        x, end = max(first, 0.0), min(last, float(WIDTH))
        return Box(x, round(max(end - x, 0.0), 1))


def days_span(first: str, days: str, clock: ZoneInfo, now: datetime, is_mirrored: bool = False) -> DaysSpan:
    """The days that an address names; empty for yesterday, today and tomorrow.

    Args:
        first, days: as the address has them.
        clock: of the venue.
        now: this instant, UTC.
        is_mirrored: see `DaysSpan`.

    Raises:
        InputError: it names none.
    """
    number = int(days) if days.isdecimal() and len(days) < 3 else 0 if days else USUAL_DAYS
    if number not in DAYS:
        raise InputError("days", f"{days[:20]!r}", f"give one of {', '.join(map(str, DAYS))}")
    today = now.astimezone(clock).date()
    try:
        begins = date.fromisoformat(first) if first else today - timedelta(days=number // 2)
    except ValueError:
        begins = date.min
    if not FIRST_YEAR <= begins.year < LAST_YEAR:
        raise InputError("from", f"{first[:20]!r} is no date", f"say it like {today}, {FIRST_YEAR} to {LAST_YEAR - 1}")
    return DaysSpan(begins, number, clock, is_mirrored)
