"""What a seed stands for beside a model of the server: an hour of a machine, and what goes wrong in it."""

from __future__ import annotations

from random import Random

from tests.faults.kinds import DAMAGES, FORGETS, SAID, SERVER_STEPS_S, TAKEOVERS, WORDS
from tests.faults.options import PERIOD, POLICIES, PROFILES, SHIFTS
from tests.faults.relay import TROUBLES
from tests.faults.scenario import WORST_CRYSTAL_PPM, WORST_SLEW_PPM, Fault, Scenario
from tests.modelled.planning import TURNS_S
from tests.simulated.more import BATTERY_CHANCE, BATTERY_PPM, STEPS, WITH_BATTERY, WITHOUT_BATTERY
from tests.simulated.persons import DONE_BY_HAND

# One run of an hour, or two back to back, of which the second may be planned when the first is under way.
SPANS_H = ((1.0,), (0.6, 0.4))
LATE_H = 0.3
HORIZONS = ("PT24H", "PT20M")
# A journal that has lost its newest is played with a whole server.
INSTEAD = {"wal-lost": "board-again"}
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
    "work-newer",
    "answers-falsified",
    "card-read-only",
    "clock-lost",
    "program-older",
    "person-acts",
)
SHORT_H, LONG_H, WORD_H = (0.05, 0.25), (0.2, 0.6), (0.6, 0.9)
AT_ONCE = ("clock-step", "server-moved")
LONG = ("server-gone", "network-gone", "node-gone", "rebooted-offline", *FORGETS)
ATTENDED_CHANCE, SHORT_HORIZON_CHANCE, ARMED_CHANCE = 0.2, 0.3, 0.5
TAKEOVER_CHANCE, FORGET_CHANCE, WORD_CHANCE = 0.15, 0.3, 0.25


def draw(seed: int) -> Scenario:
    """The scenario of a seed."""
    dice = Random(f"beside a model {seed}")
    has_battery = dice.random() < BATTERY_CHANCE
    faults = _faults(dice, has_battery=has_battery)
    has_battery = has_battery and not STEPS & {fault.kind for fault in faults}
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
        battery_ppm=BATTERY_PPM if has_battery else None,
        faults=tuple(sorted(faults, key=lambda one: one.at_h)),
    )


def _faults(dice: Random, *, has_battery: bool) -> list[Fault]:
    kinds = [dice.choice(KINDS) for _ in range(dice.randint(1, 3))]
    if dice.random() < WORD_CHANCE:
        kinds.append(dice.choice(WORDS))
    if dice.random() < FORGET_CHANCE:
        kinds.append(dice.choice(FORGETS))
    elif dice.random() < TAKEOVER_CHANCE:
        kinds.append(INSTEAD.get(kind := dice.choice(TAKEOVERS), kind))
    return [_fault(dice, kind, has_battery=has_battery) for kind in kinds]


def _fault(dice: Random, kind: str, *, has_battery: bool) -> Fault:
    at_h, lasts_h = dice.uniform(-0.05, 0.85), dice.uniform(*(LONG_H if kind in LONG else SHORT_H))
    if kind in WORDS:
        at_h, lasts_h = dice.uniform(0.02, 0.3), dice.uniform(*WORD_H)
    if kind in AT_ONCE:
        lasts_h = 0.0
    detail = _detail(dice, kind, has_battery=has_battery)
    return Fault(at_h=round(at_h, 3), kind=kind, lasts_h=round(lasts_h, 3), detail=detail)


def _detail(dice: Random, kind: str, *, has_battery: bool) -> str:
    sign = dice.choice((-1, 1))
    shows = dice.choice(WITH_BATTERY if has_battery else WITHOUT_BATTERY)
    details = {
        **dict.fromkeys(WORDS, dice.choice(SAID)),
        "clock-lost": f"{shows} {dice.choice(('online', 'offline'))}",
        "person-acts": dice.choice(DONE_BY_HAND),
        "journal-damaged": dice.choice(DAMAGES),
        "clock-step": f"{sign * dice.choice((1, 3600, 86400, 1e9)):.0f}",
        "clock-slewed": f"{sign * dice.uniform(50, WORST_SLEW_PPM):.0f}",
        "server-moved": f"{sign * dice.choice(SERVER_STEPS_S):g}",
    }
    return details.get(kind, "")
