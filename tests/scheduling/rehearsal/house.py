"""A season of our own invention: a carriage machine, a house that is open six days a week, a service every Tuesday."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from machines.recovery import Pace, Policy
from scheduling.rehearsal.rates import Rate, Rates
from scheduling.rehearsal.season import Ink, Paper, Season, Times
from scheduling.rehearsal.spans import Spans

DAY, HOUR, FIRST = 86400.0, 3600.0, 1000
NEVER = Rate(per_day=0.0, mean_hours=0.0)
QUIET = Rates(power=NEVER, network=NEVER, jam=NEVER, part=NEVER, nozzle=NEVER, late_share=0.0)


def season(policy: Policy = Policy(kind="skip"), *, days: int = 180, rates: Rates = Rates(), **more: Any) -> Season:  # noqa: B008
    """A turn of 600 mm in 1440 columns a day, four times as fast at most, laid in bursts of 12."""
    rate = 1440 / DAY
    openings = np.array([day * DAY + 18 * HOUR for day in range(10, days, 18)])
    given: dict[str, Any] = {
        "length_s": days * DAY,
        "first_column": FIRST,
        "pace": Pace(
            nominal_columns_per_s=rate,
            highest_columns_per_s=4 * rate,
            columns_per_burst=12,
            columns_per_turn=1440,
            end_column=FIRST + math.floor(days * DAY * rate),
        ),
        "segments_per_turn": 48,
        "passes": 3,
        "paper": Paper(roll=30_000.0, left=20_000.0, hangs=432, blade=40_000.0, blade_left=30_000.0),
        "ink": Ink(ml_per_column=7e-5, idle_ml_per_s=4e-9, cartridge_ml=5.0, left_ml=3.0),
        "times": times(days, openings),
        "policy": policy,
        "rates": rates,
    }
    return Season(**given | more)


def times(days: int, openings: Any, *, every: int = 7) -> Times:
    """Open from ten to six but on every seventh day; staff come from nine to eleven every so many days."""
    windows = tuple((day * DAY + 9 * HOUR, day * DAY + 11 * HOUR) for day in range(2, days, every))
    is_open = [(day * DAY + 10 * HOUR, day * DAY + 18 * HOUR) for day in range(days + 32) if day % 7]
    edges = [0.0, *(edge for span in is_open for edge in span), (days + 32) * DAY]
    closed = Spans.of(list(zip(edges[::2], edges[1::2], strict=True)))
    return Times(
        hours=Spans.of(is_open),
        closed=closed,
        known_ahead_s=31 * DAY,
        windows=windows,
        openings=openings,
        until_day_s=DAY,
    )
