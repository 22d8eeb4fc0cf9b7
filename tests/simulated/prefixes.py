"""Prefixes to branch from: every rule after an outage, on both machines, with one run and with two back to back."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import cycle, product

from tests.faults.options import CYCLES, HORIZONS, PERIOD, POLICIES, PROFILES, SHIFTS
from tests.faults.scenario import Scenario

# Hours of a run that is branched from its middle on, and of the two of which one ends meanwhile.
ONE_RUN_H, TWO_RUNS_H = (0.9,), (0.6, 0.5)
FROM_H = 0.4


@dataclass(frozen=True)
class Prefix:
    """What is played before the branches.

    Attributes:
        scenario: without faults.
        from_h: from when on the power may go, hours of the first run.
    """

    scenario: Scenario
    from_h: float


def prefixes() -> Iterator[Prefix]:
    """All of them, numbered from 1 as their seeds."""
    cycles, horizons = cycle(CYCLES), cycle(HORIZONS)
    kinds = product(POLICIES, PROFILES, (ONE_RUN_H, TWO_RUNS_H))
    for number, (policy, profile, spans_h) in enumerate(kinds, 1):
        scenario = Scenario(
            seed=number,
            policy=policy,
            profile=profile,
            cycle=PERIOD if policy in SHIFTS else next(cycles),
            spans_h=spans_h,
            late_h=None,
            skew="-86400:40",
            attended=False,
            horizon=next(horizons),
            armed_h=None,
            faults=(),
        )
        yield Prefix(scenario, FROM_H)
