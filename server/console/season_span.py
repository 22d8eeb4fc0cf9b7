"""Some months that a page shows, as its address names them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime

from machines.errors import InputError

MOST_MONTHS, USUAL_MONTHS = 24, 6
FIRST_YEAR, LAST_YEAR = 1900, 2100


@dataclass(frozen=True)
class Month:
    """The name of a month, and where it begins, in per cent of the width."""

    x: float
    name: str
    short: str


@dataclass(frozen=True)
class SeasonSpan:
    """So many months from one on; its instants are UTC."""

    first: date
    months: int
    now: datetime

    @property
    def begins(self) -> datetime:
        """As the first month begins."""
        return _utc(self.first)

    @property
    def ends(self) -> datetime:
        """As the last month ends."""
        return _utc(_later(self.first, self.months))

    @property
    def days(self) -> int:
        """How many days it has."""
        return (self.ends - self.begins).days

    def x(self, at: datetime) -> float:
        """Where an instant stands, in per cent of the width; below 0 or above 100 for one outside."""
        return round(100 * ((at - self.begins) / (self.ends - self.begins)), 3)

    @property
    def now_x(self) -> float | None:
        """Where this moment stands; None where it is outside."""
        x = self.x(self.now)
        return x if 0 <= x <= 100 else None

    @property
    def marks(self) -> tuple[Month, ...]:
        """The months."""
        found = [_later(self.first, number) for number in range(self.months)]
        return tuple(Month(self.x(_utc(one)), _named(one, self.first), f"{one:%b}"[0]) for one in found)

    @property
    def title(self) -> str:
        """Such as ``October 2026 to March 2027``."""
        last = _later(self.first, self.months - 1)
        if self.months == 1:
            return f"{self.first:%B %Y}"
        return f"{self.first:%B}{'' if last.year == self.first.year else f' {self.first:%Y}'} to {last:%B %Y}"

    @property
    def said(self) -> str:
        """The first month, as an address has it."""
        return f"{self.first:%Y-%m}"

    @property
    def earlier(self) -> str:
        """The first month of the season before."""
        return f"{_later(self.first, -self.months):%Y-%m}"

    @property
    def later(self) -> str:
        """The first month of the season after."""
        return f"{_later(self.first, self.months):%Y-%m}"


def season_span(first: str, months: str, now: datetime) -> SeasonSpan:
    """The months that an address names; empty for those from this month on.

    Raises:
        InputError: it names none.
    """
    try:
        number = int(months or USUAL_MONTHS)
    except ValueError:
        number = 0
    if not 1 <= number <= MOST_MONTHS:
        raise InputError("months", f"{months[:20]!r}", f"give how many months, 1 to {MOST_MONTHS}")
    try:
        begins = date.fromisoformat(f"{first}-01") if first else now.date().replace(day=1)
    except ValueError:
        begins = None
    if begins is None or not FIRST_YEAR <= begins.year < LAST_YEAR:
        raise InputError(
            "from", f"{first[:20]!r} is no month", f"say it like {now:%Y-%m}, {FIRST_YEAR} to {LAST_YEAR - 1}"
        )
    return SeasonSpan(begins, number, now)


def _utc(day: date) -> datetime:
    return datetime(day.year, day.month, day.day, tzinfo=UTC)


def _later(first: date, months: int) -> date:
    number = first.year * 12 + first.month - 1 + months
    return date(number // 12, number % 12 + 1, 1)


def _named(month: date, first: date) -> str:
    return f"{month:%b %Y}" if month.month == 1 or month == first else f"{month:%b}"
