"""How often openings of a series come: as a form asks for it, and as RFC 5545 (section 3.3.10) writes it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import Any
from zoneinfo import ZoneInfo

from scheduling.sky.zones import zone
from server.console import formatting

ONCE, DAILY, WEEKLY, BY_DATE, BY_WEEKDAY, OWN = "once", "daily", "weekly", "by-date", "by-weekday", "own"
HOW_OFTEN = (
    (ONCE, "once"),
    (DAILY, "by days"),
    (WEEKLY, "by weeks"),
    (BY_DATE, "by months, on the same date"),
    (BY_WEEKDAY, "by months, on the same weekday, such as each second Sunday"),
    (OWN, "by a rule of your own"),
)
WEEKDAYS = (
    ("MO", "Monday"), ("TU", "Tuesday"), ("WE", "Wednesday"), ("TH", "Thursday"), ("FR", "Friday"),
    ("SA", "Saturday"), ("SU", "Sunday"),
)  # fmt: skip
DAY_NAMES = dict(WEEKDAYS)
NUMBERED = {1: "first", 2: "second", 3: "third", 4: "fourth", -1: "last"}
FREQUENCIES = {DAILY: "DAILY", WEEKLY: "WEEKLY", BY_DATE: "MONTHLY", BY_WEEKDAY: "MONTHLY"}
UNITS = {DAILY: "day", WEEKLY: "week", BY_DATE: "month", BY_WEEKDAY: "month"}
LAST_SECOND = time(23, 59, 59)


@dataclass(frozen=True, kw_only=True)
class Recurs:
    """How often they come.

    Attributes:
        how: of `HOW_OFTEN`.
        every: so many days, weeks or months.
        days: of a week, as RFC 5545 writes them; that of the first where there are none.
        count: how many dates there are; None where the last is named.
        until: the last local date; None where they are counted.
        own: a rule as it is written.
    """

    how: str = ONCE
    every: int = 1
    days: tuple[str, ...] = ()
    count: int | None = None
    until: date | None = None
    own: str = ""


@dataclass(frozen=True)
class First:
    """When the first opens.

    Attributes:
        day: its local date.
        clock: by which it is a time; None where the sky names it.
    """

    day: date
    clock: ZoneInfo | None


def first_of(anchor: Mapping[str, Any]) -> First | None:
    """The first of a series by how it is named; None where that has no date, as a strip of a run has none."""
    if "civil" in anchor:
        return First(date.fromisoformat(anchor["civil"][:10]), zone(anchor["zone"]))
    return First(date.fromisoformat(anchor["date"]), None) if "date" in anchor else None


def rule_of(said: Recurs, first: First) -> str | None:
    """The rule; None for once."""
    if said.how in (ONCE, OWN):
        return said.own or None
    parts = [f"FREQ={FREQUENCIES[said.how]}"]
    if said.every != 1:
        parts.append(f"INTERVAL={said.every}")
    if said.how == WEEKLY and said.days:
        parts.append(f"BYDAY={','.join(said.days)}")
    if said.how == BY_WEEKDAY:
        parts.append(f"BYDAY={_which(first.day)}{WEEKDAYS[first.day.weekday()][0]}")
    parts.append(f"COUNT={said.count}" if said.until is None else f"UNTIL={_last(said.until, first.clock)}")
    return ";".join(parts)


def _which(day: date) -> int:
    """Which one of its weekday in its month a date is; a fifth is the last."""
    number = (day.day - 1) // 7 + 1
    return number if number in NUMBERED else -1


def _last(until: date, clock: ZoneInfo | None) -> str:
    if clock is None:
        return f"{until:%Y%m%d}"
    return f"{datetime.combine(until, LAST_SECOND, clock).astimezone(UTC):%Y%m%dT%H%M%SZ}"


def said_of(rule: str | None, first: First | None) -> Recurs:
    """How a form asks for a rule; one that says more than a form can is the person's own."""
    if rule is None:
        return Recurs()
    if first is None:
        return Recurs(how=OWN, own=rule)
    parts = _parts(rule)
    days = tuple(parts.get("BYDAY", "").split(",")) if "BYDAY" in parts else ()
    for how in FREQUENCIES:
        said = Recurs(
            how=how,
            every=int(parts.get("INTERVAL", "1")),
            days=days if how == WEEKLY else (),
            count=int(parts["COUNT"]) if "COUNT" in parts else None,
            until=_until(parts["UNTIL"], first.clock) if "UNTIL" in parts else None,
        )
        if _parts(rule_of(said, first) or "") == parts:
            return said
    return Recurs(how=OWN, own=rule)


def _parts(rule: str) -> dict[str, str]:
    pairs = (part.partition("=") for part in rule.upper().removeprefix("RRULE:").split(";"))
    return {name: value for name, _, value in pairs if (name, value) != ("INTERVAL", "1")}


def _until(text: str, clock: ZoneInfo | None) -> date:
    if clock is None or not text.endswith("Z"):
        return date(int(text[:4]), int(text[4:6]), int(text[6:8]))
    return datetime.strptime(text, "%Y%m%dT%H%M%S%z").astimezone(clock).date()


def in_words(rule: str | None, first: First | None) -> str:
    """How often they come, such as ``every 2 weeks on Sunday, 4 dates``."""
    said = said_of(rule, first)
    if said.how == ONCE:
        return "once"
    if said.how == OWN or first is None:
        return f"by the rule {said.own}"
    unit = UNITS[said.how]
    often = f"every {unit}" if said.every == 1 else f"every {said.every} {unit}s"
    if said.how == WEEKLY:
        days = said.days or (WEEKDAYS[first.day.weekday()][0],)
        often += f" on {', '.join(DAY_NAMES[one] for one in days)}"
    elif said.how == BY_WEEKDAY:
        often += f" on the {NUMBERED[_which(first.day)]} {WEEKDAYS[first.day.weekday()][1]}"
    elif said.how == BY_DATE:
        often += f" on day {first.day.day}"
    dates = f"{said.count} date{'' if said.count == 1 else 's'}"
    return f"{often}, {dates if said.until is None else f'until {formatting.day(said.until)}'}"
