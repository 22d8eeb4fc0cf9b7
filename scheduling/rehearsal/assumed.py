"""The assumptions by name, as people change them: how many days pass from one incident to the next, and how long each
lasts."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from math import isfinite
from typing import Any

from machines.errors import InputError
from scheduling.rehearsal.rates import INCIDENTS, Rate, Rates

EVERY, HOURS = "_every_days", "_hours"
OTHERS = ("late_share", "late_hours", "notice_hours", "change_minutes", "work_held_hours", "reserve")
SAID = "as was said"
# It is dead until somebody cleans the head.
WITHOUT = ("nozzle", HOURS)
# So rare is what never happens, as days from one to the next.
NEVER = 0.0


def names() -> tuple[str, ...]:
    """Of all that can be changed."""
    return (*(f"{name}{part}" for name in INCIDENTS for part in (EVERY, HOURS) if (name, part) != WITHOUT), *OTHERS)


def values(rates: Rates) -> dict[str, float]:
    """Each by its name; 0 days where something never happens."""
    return dict(_values(rates))


def _values(rates: Rates) -> Iterator[tuple[str, float]]:
    for name in INCIDENTS:
        rate: Rate = getattr(rates, name)
        yield f"{name}{EVERY}", 1.0 / rate.per_day if rate.per_day else NEVER
        if (name, HOURS) != WITHOUT:
            yield f"{name}{HOURS}", rate.mean_hours
    for name in OTHERS:
        yield name, getattr(rates, name)


def changed(rates: Rates, said: Mapping[str, float]) -> Rates:
    """The rates with some of them as people say, who are their source from then on.

    Raises:
        InputError: names what cannot be.
    """
    if unknown := said.keys() - set(names()):
        raise InputError(min(unknown), "nothing is assumed by that name", f"give one of: {', '.join(names())}")
    fields: dict[str, Any] = {name: said[name] for name in OTHERS if name in said}
    for name in INCIDENTS:
        every, hours = said.get(f"{name}{EVERY}"), said.get(f"{name}{HOURS}")
        if every is not None or hours is not None:
            fields[name] = _rate(getattr(rates, name), name, every, hours)
    return replace(rates, **fields)


def _rate(rate: Rate, name: str, every: float | None, hours: float | None) -> Rate:
    try:
        if hours is not None:
            rate = replace(rate, mean_hours=hours, source=SAID)
    except InputError as error:
        raise InputError(f"{name}{HOURS}", error.problem, error.remedy) from None
    if every is None:
        return rate
    if not (isfinite(every) and (every == NEVER or 1.0 <= every <= 1e6)):
        raise InputError(f"{name}{EVERY}", f"{every} days", "give 1 to 1,000,000 days, or 0 for never")
    return replace(rate, per_day=1.0 / every if every else 0.0, source=SAID)
