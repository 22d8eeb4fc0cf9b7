"""Durations as ISO 8601 writes them, with a sign: -PT40M is forty minutes before."""

from __future__ import annotations

import re
from datetime import timedelta

from machines.errors import InputError

_DURATION = re.compile(
    r"(?P<sign>[+-])?P(?=.)(?:(?P<weeks>\d+)W|(?:(?P<days>\d+)D)?"
    r"(?:T(?=.)(?:(?P<hours>\d+)H)?(?:(?P<minutes>\d+)M)?(?:(?P<seconds>\d+(?:\.\d{1,6})?)S)?)?)",
    re.ASCII,
)


def parse_duration(text: object) -> timedelta:
    """The time span of an ISO 8601 duration in weeks, or in days, hours, minutes and seconds.

    A day is exactly 24 hours: the span is elapsed time, not a change of the calendar. Raises InputError.
    """
    match = _DURATION.fullmatch(text) if isinstance(text, str) else None
    if match is None:
        raise InputError(
            "duration", f"{text!r} is no ISO 8601 duration", "give one like -PT40M, without years or months"
        )
    parts = {name: float(value) for name, value in match.groupdict().items() if value and name != "sign"}
    try:
        span = timedelta(**parts)
    except OverflowError:
        raise InputError("duration", f"{text!r} is longer than any date allows", "give a shorter one") from None
    return -span if match["sign"] == "-" else span


def format_duration(span: timedelta) -> str:
    """The ISO 8601 duration of a time span, in days, hours, minutes and seconds."""
    sign, span = ("-", -span) if span < timedelta(0) else ("", span)
    hours, rest = divmod(span.seconds, 3600)
    minutes, seconds = divmod(rest, 60)
    fraction = f".{span.microseconds:06d}".rstrip("0") if span.microseconds else ""
    days = f"{span.days}D" if span.days else ""
    time = (
        (f"{hours}H" if hours else "")
        + (f"{minutes}M" if minutes else "")
        + (f"{seconds}{fraction}S" if seconds or fraction else "")
    )
    return f"{sign}P{days}T{time}" if time else f"{sign}P{days or 'T0S'}"
