"""Instants as people read them beside a machine: by the venue's clock where it is known there, else in UTC.

How far the clock is from UTC is always said: where clocks are put back, an hour comes twice.
"""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError


def clock_named(zone: str | None) -> ZoneInfo | None:
    """The clock of an IANA zone; None where this board knows none of that name."""
    try:
        return None if zone is None else ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):  # a name that is no path, or a folder
        return None


def moment(at: datetime, clock: ZoneInfo | None, *, seconds: bool = False) -> str:
    """A date and a time of day, with how far from UTC that clock is.

    Args:
        at: an instant.
        clock: by which it is said; None for UTC.
        seconds: whether they are said.
    """
    local = at.astimezone(clock or UTC)
    return f"{local:%Y-%m-%d} {local:{'%H:%M:%S' if seconds else '%H:%M'}} {offset(local)}"


def offset(local: datetime) -> str:
    """How far from UTC a local time is, such as ``UTC+12:45``."""
    minutes = round((local.utcoffset() or (local - local)).total_seconds() / 60)
    if minutes == 0:
        return "UTC"
    sign = "−" if minutes < 0 else "+"
    hours, rest = divmod(abs(minutes), 60)
    return f"UTC{sign}{hours}" + (f":{rest:02}" if rest else "")
