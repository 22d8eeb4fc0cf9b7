"""A run in numbers, as it is played: the machine, the venue's hours and windows, its supplies, and what may go wrong.

Times are seconds since the run begins. The sky is taken to turn evenly, at the run's mean pace, so that a column is due
at ``(column - first_column) / nominal_columns_per_s``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from machines.errors import require
from machines.recovery import Pace, Policy
from scheduling.rehearsal.rates import HOUR_S, Rates
from scheduling.rehearsal.spans import FloatArray, Spans

LEAST_LASTS_S = 3600.0


@dataclass(frozen=True, kw_only=True)
class Ink:
    """Ink in numbers.

    Attributes:
        ml_per_column: of the picture, on average.
        idle_ml_per_s: fired to keep nozzles open, while it is not quiet.
        cartridge_ml: in a new cartridge; infinity where nobody said how much one holds.
        left_ml: in the one at the machine.
    """

    ml_per_column: float
    idle_ml_per_s: float = 0.0
    cartridge_ml: float = float("inf")
    left_ml: float = float("inf")


@dataclass(frozen=True, kw_only=True)
class Paper:
    """Paper and knife in columns.

    Attributes:
        roll: a new roll holds so many.
        left: on the roll at the machine.
        hangs: between head and knife, and so at an opening; of a machine without a knife, a turn.
        blade: so many are fed while a blade makes the cuts that it is good for; infinity without a knife.
        blade_left: the same of the blade at the machine.
    """

    roll: float
    left: float
    hangs: int
    blade: float = float("inf")
    blade_left: float = float("inf")


@dataclass(frozen=True, kw_only=True)
class Times:
    """When what is fixed happens, seconds since the run begins.

    Attributes:
        hours: of the venue, when somebody is there who can clear a jam or put in a roll.
        closed: its closed hours, in which a rule may have it catch up.
        windows: when staff come to change parts: begins and ends, in order.
        openings: in order.
        known_ahead_s: for so long after an outage closed hours are known.
        until_day_s: seconds from the run's beginning to the next end of a UTC day; closed hours are told by whole days.
        rests: the run's recesses, in which nothing is laid: as people hold it, and closed hours where it is printed
            only while open. What is off the sky in them is planned, and counts for nothing.
        quiet: when no idle nozzle is fired.
    """

    hours: Spans
    closed: Spans
    known_ahead_s: float
    windows: tuple[tuple[float, float], ...] = ()
    openings: FloatArray = field(default_factory=lambda: np.empty(0))
    until_day_s: float = 0.0
    rests: Spans = field(default_factory=Spans.none)
    quiet: Spans = field(default_factory=Spans.none)

    @cached_property
    def there(self) -> Spans:
        """When somebody is there: in its hours, and in its windows."""
        hours = zip(self.hours.starts.tolist(), self.hours.ends.tolist(), strict=True)
        return Spans.of([*hours, *self.windows])


@dataclass(frozen=True, kw_only=True, eq=False)
class Season:
    """All of it.

    Attributes:
        length_s: of the run, seconds.
        first_column: that is due as it begins.
        pace: of sky and machine; its ``end_column`` is the run's.
        segments_per_turn: for rules that name the half-printed one.
        passes: by how many nozzles each dot is set.
        paper, ink, times: see there; no ink where the head uses none.
        policy: by which outages are settled.
        rates: of what may go wrong.
    """

    length_s: float
    first_column: int
    pace: Pace
    segments_per_turn: int
    passes: int
    paper: Paper
    ink: Ink
    times: Times
    policy: Policy
    rates: Rates

    def __post_init__(self) -> None:
        v, ink = self.pace.nominal_columns_per_s, self.ink
        full_ml = LEAST_LASTS_S * (ink.ml_per_column * v + ink.idle_ml_per_s)
        for what, lasts in (("roll", self.paper.roll >= LEAST_LASTS_S * v), ("cartridge", ink.cartridge_ml >= full_ml)):
            require(lasts, what, f"a new {what} is used up within the hour", "rehearse a run whose parts last longer")

    @property
    def days(self) -> float:
        """Its length in days."""
        return self.length_s / 86400.0

    @property
    def duty(self) -> float:
        """The share of time in which a burst is being laid, where it prints at the sky's pace as fast as it can."""
        return min(1.0, 1.0 / self.pace.ratio)

    @cached_property
    def idle_ml_per_s(self) -> float:
        """Fired to keep nozzles open, on average over the season."""
        loud_s = float(self.times.quiet.outside(np.array([self.length_s]))[0])
        return self.ink.idle_ml_per_s * loud_s / self.length_s

    def seen(self, at: FloatArray) -> FloatArray:
        """When somebody who is there sees that it stands still from instants on; while nobody is there no time of
        notice passes."""
        there = self.times.there
        return there.next_in(there.next_in(at) + self.rates.notice_hours * HOUR_S)
