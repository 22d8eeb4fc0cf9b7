"""What a seed stands for: a machine, a policy, a span, and what goes wrong when. Nothing here touches a process.

Instants are hours shown by the compressed clock, from the beginning of the run. The same seed always gives the same
scenario; what the processes are doing at the very instant of a fault is theirs.
"""

from __future__ import annotations

import random
from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from typing import Any

# Kinds of faults, in words. Each can hit once or several times in a scenario.
KINDS = {
    "node-killed": "the board loses power (SIGKILL) and gets it back",
    "node-stopped": "the board is stopped in order (SIGTERM) and started again",
    "server-killed": "the server dies (SIGKILL) and is started again at once",
    "server-gone": "the server dies (SIGKILL) and is away for long, now and then for days",
    "network-gone": "no connection comes through, for long",
    "answers-lost": "the server acts, and its answer is lost",
    "connections-cut": "connections break before the request or in the middle of the answer",
    "connections-slow": "every request and answer takes its time",
    "reports-duplicated": "reports arrive twice, at the same time",
    "reports-reordered": "reports arrive late, after newer ones",
    "portal": "something in between answers everything with a page of its own",
    "clock-step": "the wall clock of the board steps",
    "card-full": "the board's files cannot grow",
    "machine-jammed": "the paper jams in the middle of an order, and a person clears it",
    "board-again": "the board is enrolled again with a new code, its journal kept",
    "journal-damaged": "the journal is damaged while the power is off; a new board takes over with a new code",
    "node-cloned": "a copy of the board's files starts in another board, beside another machine",
}
# These change who the board is, so there is at most one of them in a scenario.
TAKEOVERS = ("board-again", "journal-damaged", "node-cloned")
DAMAGES = ("cut-in-half", "garbled", "emptied")
# Which faults last how long, hours.
SHORT_H, LONG_H = (0.3, 1.2), (1.5, 4.0)
LONG = ("server-gone", "network-gone")
# Now and then the server is gone for days.
DAYS_H, DAYS_CHANCE = (24.0, 60.0), 0.1

CYCLES = ("mean-solar-day", "apparent-solar-day", "sidereal-day", "lunar-day")
# What follows an outage. None of them prints anything a second time, so that twice on the paper is always a fault.
POLICIES: dict[str, dict[str, Any]] = {
    "skip": {"kind": "skip"},
    "replay": {"kind": "replay"},
    "blank": {"kind": "blank"},
    "newest": {"kind": "replay-within", "within": {"value": 0.75, "unit": "hours"}},
    "finish": {"kind": "skip", "half_printed": "finish"},
    "abandon": {"kind": "replay", "half_printed": "abandon"},
    "by-cause": {
        "kind": "skip",
        "by_cause": [
            {"causes": ["power"], "rule": {"kind": "replay"}},
            {"causes": ["jam", "machine"], "rule": {"kind": "blank", "half_printed": "finish"}},
        ],
    },
}
PROFILES = ("crawl", "burst")


@dataclass(frozen=True, kw_only=True)
class Fault:
    """Something that goes wrong.

    Attributes:
        kind: of `KINDS`.
        at_h, lasts_h: when and for how long.
        detail: of a damage, which; of a step of the clock, how many seconds; empty for the others.
    """

    at_h: float
    kind: str
    lasts_h: float
    detail: str = ""

    def __str__(self) -> str:
        detail = f" ({self.detail})" if self.detail else ""
        return f"{self.at_h:5.2f} h to {self.at_h + self.lasts_h:5.2f} h  {self.kind}{detail}: {KINDS[self.kind]}"


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """All that a seed decides.

    Attributes:
        policy: of the run, a name in `POLICIES`.
        profile: a machine that crawls, or one that prints bursts.
        cycle: that the run follows.
        hours: that the run spans.
        skew: of the board's clock, seconds and parts per million.
        armed_h: when a person arms the knife; None for never.
        faults: in order.
    """

    seed: int
    policy: str
    profile: str
    cycle: str
    hours: float
    skew: str
    armed_h: float | None
    faults: tuple[Fault, ...]

    @property
    def kinds(self) -> set[str]:
        """Kinds of its faults."""
        return {fault.kind for fault in self.faults}

    @property
    def has(self) -> set[str]:
        """What it tries: kinds of faults, and its machine."""
        return {*self.kinds, self.profile}

    @property
    def lasts_h(self) -> float:
        """Until its run is over and the last of its faults has passed, hours."""
        return max(self.hours, *(fault.at_h + fault.lasts_h for fault in self.faults))

    def __str__(self) -> str:
        return f"{self.policy:8} {self.profile:5} {self.cycle:18} {self.hours:.1f} h"

    def story(self) -> list[str]:
        """Its faults, a line each."""
        return [str(fault) for fault in self.faults]


def draw(seed: int) -> Scenario:
    """The scenario of a seed."""
    dice, patience = random.Random(seed), random.Random(f"days of {seed}")
    hours = round(dice.uniform(2.5, 4.5), 2)
    return Scenario(
        seed=seed,
        policy=dice.choice(tuple(POLICIES)),
        profile=dice.choice(PROFILES),
        cycle=dice.choice(CYCLES),
        hours=hours,
        skew=f"{dice.uniform(-1e5, 1e5):.0f}:{dice.uniform(-60, 60):.1f}",
        armed_h=round(dice.uniform(0.1, hours), 2) if dice.random() < 0.3 else None,
        faults=tuple(sorted((_for_days(patience, fault) for fault in _faults(dice, hours)), key=lambda one: one.at_h)),
    )


def _faults(dice: random.Random, hours: float) -> list[Fault]:
    plain = [kind for kind in KINDS if kind not in TAKEOVERS]
    kinds = [dice.choice(plain) for _ in range(dice.randint(1, 4))]
    if dice.random() < 0.2:
        kinds.append(dice.choice(TAKEOVERS))
    return [_fault(dice, kind, hours) for kind in kinds]


def _for_days(dice: random.Random, fault: Fault) -> Fault:
    if fault.kind != "server-gone" or dice.random() >= DAYS_CHANCE:
        return fault
    return replace(fault, lasts_h=round(dice.uniform(*DAYS_H), 3))


def _fault(dice: random.Random, kind: str, hours: float) -> Fault:
    lasts_h = 0.0 if kind == "clock-step" else dice.uniform(*(LONG_H if kind in LONG else SHORT_H))
    detail = ""
    if kind == "journal-damaged":
        detail = dice.choice(DAMAGES)
    if kind == "clock-step":
        detail = f"{dice.choice((-1, 1)) * dice.choice((1, 3600, 86400, 1e9)):.0f}"
    return Fault(at_h=round(dice.uniform(-0.2, 0.9 * hours), 3), kind=kind, lasts_h=round(lasts_h, 3), detail=detail)


def covering(seeds: Iterable[int], wanted: Collection[str]) -> list[int]:
    """Seeds chosen one after another for the kinds of faults and the machines that each adds in the time it lasts.

    Raises:
        ValueError: something wanted is in none of them.
    """
    scenarios = [draw(seed) for seed in seeds]
    chosen: list[int] = []
    missing = set(wanted)
    while missing:
        best = max(scenarios, key=lambda scenario: len(scenario.has & missing) / scenario.lasts_h)
        if not best.has & missing:
            raise ValueError(f"no seed has {sorted(missing)}")
        chosen.append(best.seed)
        missing -= best.has
    return chosen
