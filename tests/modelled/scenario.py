"""What a seed stands for beside a model of the server: an hour of a machine, and what goes wrong in it."""

from __future__ import annotations

from dataclasses import replace
from random import Random

from tests.faults.kinds import DAMAGES, FORGETS, SAID, SERVER_STEPS_S, TAKEOVERS, WORDS
from tests.faults.options import PERIOD, POLICIES, PROFILES, SHIFTS
from tests.faults.relay import TROUBLES
from tests.faults.scenario import WORST_CRYSTAL_PPM, WORST_SLEW_PPM, Fault, Scenario
from tests.modelled.planning import TURNS_S

# One run of an hour, or two back to back, of which the second may be planned when the first is under way.
SPANS_H = ((1.0,), (0.6, 0.4))
LATE_H = 0.3
HORIZONS = ("PT24H", "PT20M")
# What an hour has room for; the others are played with a whole server.
KINDS = (
    "node-killed",
    "node-gone",
    "node-stopped",
    "node-rebooted",
    "rebooted-offline",
    "server-killed",
    "server-gone",
    "server-moved",
    "clock-step",
    "clock-slewed",
    "card-full",
    "machine-jammed",
    *TROUBLES,
)
SHORT_H, LONG_H, WORD_H = (0.05, 0.25), (0.2, 0.6), (0.6, 0.9)
LONG = ("server-gone", "network-gone", "node-gone", "rebooted-offline", *FORGETS)
ATTENDED_CHANCE, SHORT_HORIZON_CHANCE, ARMED_CHANCE = 0.2, 0.3, 0.5
TAKEOVER_CHANCE, FORGET_CHANCE, WORD_CHANCE = 0.15, 0.3, 0.25


def draw(seed: int) -> Scenario:
    """The scenario of a seed."""
    dice = Random(f"beside a model {seed}")
    policy = dice.choice(tuple(POLICIES))
    spans_h = dice.choice(SPANS_H)
    late_h = LATE_H if len(spans_h) > 1 and dice.random() < 0.5 else None
    return Scenario(
        seed=seed,
        policy=policy,
        profile=dice.choice(PROFILES),
        cycle=PERIOD if policy in SHIFTS else dice.choice(tuple(TURNS_S)),
        spans_h=spans_h,
        late_h=late_h,
        skew=f"{dice.uniform(-1e5, 1e5):.0f}:{dice.uniform(-WORST_CRYSTAL_PPM, WORST_CRYSTAL_PPM):.1f}",
        attended=dice.random() < ATTENDED_CHANCE,
        horizon=HORIZONS[dice.random() < SHORT_HORIZON_CHANCE],
        armed_h=round(dice.uniform(0.02, 0.6), 3) if dice.random() < ARMED_CHANCE else None,
        faults=tuple(sorted(_faults(dice), key=lambda one: one.at_h)),
    )


def _faults(dice: Random) -> list[Fault]:
    kinds = [dice.choice(KINDS) for _ in range(dice.randint(1, 3))]
    if dice.random() < WORD_CHANCE:
        kinds.append(dice.choice(WORDS))
    if dice.random() < FORGET_CHANCE:
        kinds.append(dice.choice(FORGETS))
    elif dice.random() < TAKEOVER_CHANCE:
        kinds.append(dice.choice(TAKEOVERS))
    return [_fault(dice, kind) for kind in kinds]


def _fault(dice: Random, kind: str) -> Fault:
    lasts_h = dice.uniform(*(LONG_H if kind in LONG else SHORT_H))
    fault = Fault(at_h=round(dice.uniform(-0.05, 0.85), 3), kind=kind, lasts_h=round(lasts_h, 3))
    if kind in WORDS:
        at_h, lasts_h = dice.uniform(0.02, 0.3), dice.uniform(*WORD_H)
        return replace(fault, at_h=round(at_h, 3), lasts_h=round(lasts_h, 3), detail=dice.choice(SAID))
    if kind == "journal-damaged":
        return replace(fault, detail=dice.choice(DAMAGES))
    if kind == "clock-step":
        return replace(fault, lasts_h=0.0, detail=f"{dice.choice((-1, 1)) * dice.choice((1, 3600, 86400, 1e9)):.0f}")
    if kind == "clock-slewed":
        return replace(fault, detail=f"{dice.choice((-1, 1)) * dice.uniform(50, WORST_SLEW_PPM):.0f}")
    if kind == "server-moved":
        return replace(fault, lasts_h=0.0, detail=f"{dice.choice((-1, 1)) * dice.choice(SERVER_STEPS_S):g}")
    return fault
