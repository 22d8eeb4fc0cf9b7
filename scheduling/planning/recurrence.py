"""Dates that recur by a rule of RFC 5545, section 3.3.10, such as ``FREQ=WEEKLY;BYDAY=SA,SU;UNTIL=20271231``.

What recurs here comes at most once a local date, always at the time by the clock that the first has; so a rule names
dates only, and says where it ends.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from itertools import islice
from typing import Literal
from zoneinfo import ZoneInfo

from dateutil.rrule import rrule, rrulestr

from machines.errors import InputError
from scheduling.planning.local_spans import DATE
from scheduling.sky.anchors import LAST_YEAR

# How openings at several venues belong together: at one instant, or at one time by each venue's own clock.
Together = Literal["instant", "local"]

FREQUENCIES = ("DAILY", "WEEKLY", "MONTHLY", "YEARLY")
LONGEST_RULE = 400
# From the least to the most of what a part may count, without its sign.
BOUNDS: dict[str, tuple[int, int]] = {
    "COUNT": (1, 10_000),
    "INTERVAL": (1, 1000),
    "BYMONTH": (1, 12),
    "BYMONTHDAY": (1, 31),
    "BYYEARDAY": (1, 366),
    "BYWEEKNO": (1, 53),
    "BYSETPOS": (1, 366),
}
_SIGNED = ("BYMONTHDAY", "BYYEARDAY", "BYWEEKNO", "BYSETPOS")
# With which of the four a part may stand, where not with all.
_ONLY_WITH = {
    "BYMONTHDAY": ("DAILY", "MONTHLY", "YEARLY"),
    "BYYEARDAY": ("YEARLY",),
    "BYWEEKNO": ("YEARLY",),
}
_TEXTS = {
    "FREQ": re.compile("|".join(FREQUENCIES)),
    "WKST": re.compile(r"MO|TU|WE|TH|FR|SA|SU"),
    "BYDAY": re.compile(r"([+-]?[0-9]{1,2})?(MO|TU|WE|TH|FR|SA|SU)(,([+-]?[0-9]{1,2})?(MO|TU|WE|TH|FR|SA|SU))*"),
    "UNTIL": re.compile(r"[0-9]{8}(T[0-9]{6}Z)?"),
}
_NUMBERED = re.compile(r"([0-9]+)[A-Z]")
_WEEKS_OF_YEAR = 53
# In whatever is counted, beyond the last year that a date can have: the second time never comes.
_NEVER_AGAIN = 4_000_000


def check_rule(rule: str, *, has_time: bool) -> dict[str, str]:
    """The parts of a rule.

    Args:
        rule: as RFC 5545 writes it.
        has_time: whether the first is a local time, so that ``UNTIL`` is an instant in UTC; else it is a date.

    Raises:
        InputError: it cannot be read, never ends, or says more than dates.
    """
    if len(rule) > LONGEST_RULE:
        raise _refused("too long", f"give at most {LONGEST_RULE} characters")
    parts: dict[str, str] = {}
    for part in rule.upper().removeprefix("RRULE:").split(";"):
        name, equals, value = part.partition("=")
        if not equals or name in parts or name not in (*_TEXTS, *BOUNDS):
            known = ", ".join((*_TEXTS, *BOUNDS))
            raise _refused(f"{part!r} cannot stand there", f"give each at most once, of: {known}")
        _check_part(name, value)
        parts[name] = value
    if "FREQ" not in parts:
        raise _refused("FREQ is missing", f"give one of {', '.join(FREQUENCIES)}")
    if ("COUNT" in parts) == ("UNTIL" in parts):
        raise _refused("it has no one end", "give either COUNT or UNTIL")
    _check_together(parts, has_time)
    return parts


def _check_part(name: str, value: str) -> None:
    if name in _TEXTS:
        if not _TEXTS[name].fullmatch(value):
            raise _refused(f"{name}={value!r} cannot be read", "see RFC 5545, section 3.3.10")
        return
    least, most = BOUNDS[name]
    for number in value.split(",") if name.startswith("BY") else [value]:
        plain = re.sub(r"^[+-]", "", number) if name in _SIGNED else number
        if not re.fullmatch(r"[0-9]{1,5}", plain) or not least <= int(plain) <= most:
            raise _refused(f"{name}={value!r} cannot be", f"give {least} to {most}")


def _check_together(parts: dict[str, str], has_time: bool) -> None:
    frequency = parts["FREQ"]
    for name, may in _ONLY_WITH.items():
        if name in parts and frequency not in may:
            raise _refused(f"{name} does not go with FREQ={frequency}", f"it goes with {', '.join(may)}")
    numbers = [int(number) for number in _NUMBERED.findall(parts.get("BYDAY", ""))]
    if numbers and (frequency not in ("MONTHLY", "YEARLY") or "BYWEEKNO" in parts):
        raise _refused("a numbered weekday goes with months and years only", "leave its number away")
    if any(not 1 <= number <= _WEEKS_OF_YEAR for number in numbers):
        raise _refused(f"BYDAY={parts['BYDAY']!r} cannot be", f"number weekdays from 1 to {_WEEKS_OF_YEAR}")
    if "UNTIL" in parts and has_time != parts["UNTIL"].endswith("Z"):
        form = "an instant in UTC, such as 20271231T230000Z" if has_time else "a date, such as 20271231"
        raise _refused(f"UNTIL={parts['UNTIL']} is not of the same kind as the first", f"give {form}")


def dates_of(rule: str, first: datetime | date, clock: ZoneInfo | None, most: int) -> list[date]:
    """The local dates of a rule, in order.

    Args:
        rule: as RFC 5545 writes it.
        first: the first time, local, without an offset; or the first date.
        clock: by which ``first`` is a time; None for a date.
        most: how many to look for; one more is given where there are more.

    Raises:
        InputError: see `check_rule`; or the first is no date of it.
    """
    has_time = isinstance(first, datetime)
    parts = check_rule(rule, has_time=has_time)
    # In local time a rule goes on by the wall clock, whatever the clock does between: RFC 5545, section 3.8.5.3.
    begins = first.replace(tzinfo=clock) if isinstance(first, datetime) else datetime.combine(first, time())
    until = _until(parts, begins)
    count = min(int(parts.get("COUNT", most + 1)), most + 1)
    endless = ";".join(f"{name}={value}" for name, value in parts.items() if name not in ("COUNT", "UNTIL"))
    try:
        recurring = rrulestr(endless, dtstart=begins)
        _require_first(recurring, begins)
        return [one.date() for one in islice(_before(recurring, until), count)]
    except (ValueError, IndexError, OverflowError) as error:
        if isinstance(error, InputError):
            raise
        raise _refused(f"it cannot be read: {error}", "see RFC 5545, section 3.3.10") from error


def _until(parts: dict[str, str], begins: datetime) -> datetime | None:
    if "UNTIL" not in parts:
        return None
    form = "%Y%m%dT%H%M%S%z" if begins.tzinfo else "%Y%m%d"
    try:
        return datetime.strptime(parts["UNTIL"], form)  # noqa: DTZ007  # a date has no zone
    except ValueError:
        raise _refused(f"UNTIL={parts['UNTIL']} is on no calendar", "give a date that exists") from None


def _require_first(recurring: rrule, begins: datetime) -> None:
    """What a first that does not fit the rule makes is undefined there, and might be looked for through all of time."""
    within = list(recurring.replace(interval=_NEVER_AGAIN))
    if begins not in within:
        raise _refused(f"{begins.date()} is no date of it", "let the first be one")


def _before(recurring: rrule, until: datetime | None) -> Iterator[datetime]:
    for one in recurring:
        if one.year > LAST_YEAR or (until is not None and one > until):
            return
        yield one


def check_dates_off(dates: tuple[str, ...]) -> None:
    """Raise an InputError unless each is a date, and none stands there twice."""
    for number, text in enumerate(dates):
        try:
            if not DATE.fullmatch(text):
                raise ValueError
            date.fromisoformat(text)
        except ValueError:
            raise InputError(f"dates_off[{number}]", f"{text!r} is no date", "give one like 2027-01-03") from None
    if len(set(dates)) != len(dates):
        raise InputError("dates_off", "a date stands there twice", "give each once")


def later_by(text: str, days: timedelta) -> str:
    """A date or a local time of an anchor, so many days later."""
    if "T" not in text:
        return (date.fromisoformat(text) + days).isoformat()
    return (datetime.fromisoformat(text) + days).isoformat()


def _refused(problem: str, remedy: str) -> InputError:
    return InputError("rule", problem, remedy)
