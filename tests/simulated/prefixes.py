"""Prefixes to branch from: every rule after an outage, every head and cadence, one run and two back to back."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from tests.faults.options import CYCLES, HORIZONS, PERIOD, POLICIES, PROFILES, SHIFTS
from tests.faults.scenario import Scenario

# Hours of a run that is branched from its middle on, and of the two of which one ends meanwhile.
ONE_RUN_H, TWO_RUNS_H = (0.9,), (0.6, 0.5)
FROM_H = 0.4
# A line head that prints in bursts, and a carriage that crawls.
CROSSED = ("stride", "glide")


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
    """All of them, numbered from 1 as their seeds. Of cycle, horizon and attendance each comes with each rule, each
    machine and each of the others."""
    kinds = ((policy, *machine) for number, policy in enumerate(POLICIES) for machine in _machines(number))
    for number, (policy, profile, spans_h) in enumerate(kinds):
        scenario = Scenario(
            seed=number + 1,
            policy=policy,
            profile=profile,
            cycle=PERIOD if policy in SHIFTS else CYCLES[(number + number // 2) % len(CYCLES)],
            spans_h=spans_h,
            late_h=None,
            skew="-86400:40",
            attended=(number + number // 3) % 3 == 1,
            horizon=HORIZONS[(number + number // 3) % len(HORIZONS)],
            armed_h=None,
            faults=(),
        )
        yield Prefix(scenario, FROM_H)


def _machines(number: int) -> list[tuple[str, tuple[float, ...]]]:
    """With how many runs on which machine a rule is played: on both with one and with two, and with one on a head that
    has the other's cadence, by turns."""
    usual = [(profile, spans_h) for profile in PROFILES for spans_h in (ONE_RUN_H, TWO_RUNS_H)]
    return [*usual, (CROSSED[number % len(CROSSED)], ONE_RUN_H)]
