"""Local civil time: what a clock on the wall of a zone shows, and the instants at which it shows that.

Most local times name one instant. When clocks are put back, some are shown twice; when they are put forward, some
are never shown. Both have two readings: with the offset in force before the change, and with the one after it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, timezone
from zoneinfo import ZoneInfo

from machines.errors import InputError


@dataclass(frozen=True)
class Reading:
    """One way to read a local time: ``which`` is "earlier" or "later", ``at`` the instant in the zone's own time.

    Compare by ``utc``: in Python two datetimes of different zones are never equal where one is shown twice.
    """

    which: str
    at: datetime

    @property
    def utc(self) -> datetime:
        """The instant in UTC."""
        return self.at.astimezone(UTC)

    @property
    def in_words(self) -> str:
        """What the clock shows then, and how far that is from UTC, such as ``2026-10-25 01:30 UTC+01:00``."""
        return f"{_shown(self.at)} UTC{offset_of(self.at)}"


class CivilTimeError(InputError):
    """A local time that does not exist, or exists twice, where one instant was asked for.

    ``field`` is "civil"; ``exists`` tells the two cases apart; ``readings`` holds both, as data.
    """

    def __init__(self, local: datetime, zone: ZoneInfo, readings: tuple[Reading, Reading]) -> None:
        self.local, self.zone, self.readings = local, zone.key, readings
        self.exists = readings[0].at.replace(tzinfo=None, fold=0) == local
        problem = "is shown twice" if self.exists else "does not exist"
        super().__init__(
            "civil",
            f"{_shown(local)} {problem} in {zone.key}, where the clocks change then",
            which_is_meant(readings),
        )


def which_is_meant(readings: Sequence[Reading]) -> str:
    """What helps where one of several instants is meant."""
    return "say which is meant: " + ", ".join(f'"{one.which}" is {one.in_words}' for one in readings)


def readings(local: datetime, zone: ZoneInfo) -> tuple[Reading, ...]:
    """The one or two readings of a local time (without offset) in a zone, in order of time."""
    instants = sorted({local.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1)})
    return tuple(Reading(which, at.astimezone(zone)) for which, at in zip(("earlier", "later"), instants, strict=False))


def instant_in_words(at: datetime, clock: ZoneInfo | None = None) -> str:
    """An instant as a sentence says it, such as ``2026-11-30 08:30 (America/St_Johns)``; without a clock by UTC, such
    as ``2026-11-30 12:00 UTC``.

    Args:
        at: aware; its seconds are told if it has any.
        clock: of the venue that the sentence is about, where it is about one. What it shows twice is told with its
            offset.
    """
    if clock is None:
        return f"{_shown(at.astimezone(UTC))} UTC"
    local = at.astimezone(clock)
    is_twice = len(readings(local.replace(tzinfo=None), clock)) > 1
    return f"{_shown(local)}{f' UTC{offset_of(local)}' if is_twice else ''} ({clock.key})"


def _shown(at: datetime) -> str:
    """What a clock shows, to the second where there is any."""
    return f"{at:%Y-%m-%d %H:%M:%S}" if at.second or at.microsecond else f"{at:%Y-%m-%d %H:%M}"


def offset_of(local: datetime) -> str:
    """How far a local time is from UTC, such as ``+01:00``."""
    return datetime.min.replace(tzinfo=timezone(local.utcoffset() or timedelta(0))).isoformat()[19:]


def instant_of(local: datetime, zone: ZoneInfo, which: str | None = None) -> datetime:
    """The instant (UTC) of a local time in a zone.

    ``which``, "earlier" or "later", chooses where there are two readings; without it :class:`CivilTimeError` offers
    both. It may be given, and says nothing, where there is one.
    """
    possible = readings(local, zone)
    if len(possible) == 2 and which is None:
        raise CivilTimeError(local, zone, possible)
    return (possible[-1] if which == "later" else possible[0]).utc


def rfc5545_instant(local: datetime, zone: ZoneInfo) -> datetime:
    """The instant (UTC) that iCalendar gives a local time: RFC 5545 section 3.3.5.

    The first of two; and for a time that does not exist, the one reckoned with the offset before the gap.
    """
    return local.replace(tzinfo=zone, fold=0).astimezone(UTC)


def day_bounds(day: date, zone: ZoneInfo) -> tuple[datetime, datetime]:
    """The instants (UTC) at which a local civil date begins and ends; equal where the date was skipped."""
    return _start(day, zone), _start(date.fromordinal(day.toordinal() + 1), zone)


def _start(day: date, zone: ZoneInfo) -> datetime:
    # Where midnight is shown twice the day begins with the first; where it is skipped, with the end of the gap, which
    # is what midnight reckoned with the offset before the gap amounts to.
    return rfc5545_instant(datetime.combine(day, time.min), zone)
