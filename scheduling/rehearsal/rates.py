"""How often things go wrong, and how long they take: from the machine's own log where it has one, else typical.

A typical rate counts as one incident seen in as long a time as it says; what the log tells is added to both. So a new
machine is taken to be typical, and one with years behind it to be itself: with a rate r per day and k incidents in D
days of printing, (1 + k) / (1 / r + D).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isfinite
from typing import Any

from machines.errors import InputError, require

COMMON = "common practice, no source"
# Less of a log tells nothing.
LEAST_DAYS = 1.0
# On average; the log of a machine that stood still for longer counts as so long.
LONGEST_HOURS = 2000.0
DAY_S, HOUR_S, MINUTE_S = 86400.0, 3600.0, 60.0


@dataclass(frozen=True, kw_only=True)
class Rate:
    """How often something happens, as a Poisson process, and how long it lasts on average, as an exponential.

    Attributes:
        per_day: while the machine is on its run.
        mean_hours: of its length; of a jam and of a part that fails, of the work once somebody is there; 0 for a
            nozzle, which is dead until somebody cleans the head.
        source: where both are from, in words.
    """

    per_day: float
    mean_hours: float
    source: str = COMMON

    def __post_init__(self) -> None:
        require(0.0 <= self.per_day <= 1.0, "per_day", f"{self.per_day} a day", "give 0 to 1")
        is_length = 0.0 <= self.mean_hours <= LONGEST_HOURS
        require(is_length, "mean_hours", f"{self.mean_hours} hours", f"give 0 to {LONGEST_HOURS:g}")

    def seen(self, count: int, days: float, lasted: Sequence[float] = ()) -> Rate:
        """With what a log of a day or more tells: so many in so many days of printing, and for how many hours those of
        them lasted of which that is known."""
        if days < LEAST_DAYS or self.per_day == 0.0:
            return self
        per_day = min(1.0, (1 + count) / (1.0 / self.per_day + days))
        mean = min(LONGEST_HOURS, (self.mean_hours + sum(lasted)) / (1 + len(lasted)))
        said = f"{count} in {days:.3g} days of this machine's log, with a typical one in {1 / self.per_day:.0f} days"
        return Rate(per_day=per_day, mean_hours=mean, source=f"{said} ({self.source})")


@dataclass(frozen=True, kw_only=True)
class Rates:
    """What is assumed of a season.

    Attributes:
        power: cuts of the power, after which it goes on by itself.
        network: losses of the network; nothing is missed until the work that is held has come to its end.
        jam: the paper jams, until somebody is there and clears it.
        part: a part fails that has to be replaced, and a spare is at hand.
        nozzle: a nozzle dies, until somebody comes in a service window and cleans the head.
        late_share: of the visits in service windows that begin late.
        late_hours: by how much these do, on average; who comes after the window's end does not come.
        notice_hours: until somebody who is there sees that it stands still.
        change_minutes: that a change of roll, cartridge or blade takes, for each.
        work_held_hours: that a node prints on without a network.
        reserve: a part is changed if by this share more than it holds may be needed until the next window is over.
    """

    power: Rate = Rate(per_day=1 / 60, mean_hours=3.0)
    network: Rate = Rate(per_day=1 / 14, mean_hours=6.0)
    jam: Rate = Rate(per_day=1 / 60, mean_hours=0.5)
    part: Rate = Rate(per_day=1 / 365, mean_hours=24.0)
    nozzle: Rate = Rate(per_day=1 / 30, mean_hours=0.0)
    late_share: float = 0.1
    late_hours: float = 2.0
    notice_hours: float = 1.0
    change_minutes: float = 15.0
    work_held_hours: float = 168.0
    reserve: float = 0.1

    def __post_init__(self) -> None:
        for name, most in (("late_share", 1.0), ("late_hours", 1000.0), ("notice_hours", 1000.0)):
            _require_within(self, name, most)
        for name, most in (("work_held_hours", 10_000.0), ("reserve", 10.0)):
            _require_within(self, name, most)
        _require_within(self, "change_minutes", 1440.0, least=0.1)

    @property
    def per_day(self) -> float:
        """How many incidents of all kinds come in a day, on average."""
        rates: list[Rate] = [getattr(self, name) for name in INCIDENTS]
        return sum(rate.per_day for rate in rates)

    def without(self, what: str) -> Rates:
        """The same season in which one thing never goes wrong: ``power``, ``network``, ``jam``, ``part``, ``nozzle`` or
        ``late``."""
        if what == "late":
            return replace(self, late_share=0.0)
        changed: dict[str, Any] = {what: replace(getattr(self, what), per_day=0.0)}
        return replace(self, **changed)


def _require_within(rates: Rates, name: str, most: float, least: float = 0.0) -> None:
    value = getattr(rates, name)
    if not (isfinite(value) and least <= value <= most):
        raise InputError(name, f"{value}", f"give {least:g} to {most:g}")


INCIDENTS = ("power", "network", "jam", "part", "nozzle")
