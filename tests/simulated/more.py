"""What a seed stands for in simulated worlds: the scenario of the fault runs, and more beside it, from dice of its own.

So a seed's own scenario (`tests.faults.scenario.draw`) stays what it was however many more faults are added here.
"""

from __future__ import annotations

from dataclasses import replace
from random import Random

from tests.faults.changing import FIRST_CHANGES
from tests.faults.drawn_changes import with_changes
from tests.faults.drawn_words import with_word
from tests.faults.kinds import FORGETS, MORE, SHORT_H, TAKEOVERS
from tests.faults.scenario import Fault, Scenario, draw
from tests.faults.servers import SERVERS
from tests.simulated.persons import DONE_BY_HAND

# How many more faults a seed has: one of these, each as often as it stands here.
COUNTS = (0, 1, 1, 1, 2, 2, 3)
# Of how many boards a battery keeps the clock, and how wrong that one runs, parts per million: more than any crystal.
BATTERY_CHANCE, BATTERY_PPM = 0.3, 300.0
# Of how many worlds the cards and the disk lose what was not synced where the power goes.
LOSES_CHANCE = 0.5
# How many worlds have a second machine on their server, or a third; their scenarios are of seeds far off.
NEIGHBOUR_CHANCE, FIRST_NEIGHBOUR = 0.12, 10**9
# At how many worlds' venues there are quiet hours.
QUIET_CHANCE = 0.15
# With a battery that is full, the clock goes on; one that is empty shows 1970.
WITH_BATTERY, WITHOUT_BATTERY = ("battery", "battery", "1970"), ("1970", "saved")
# These step the wall clock of a running board, and with it the clock that its battery keeps: nobody can tell.
STEPS = {"clock-step"}


def draw_more(seed: int) -> Scenario:
    """The scenario of a seed, with more."""
    dice = Random(f"more of {seed}")
    scenario = _perhaps_quiet(with_changes(_with_more(with_word(draw(seed)), dice)))
    if dice.random() >= NEIGHBOUR_CHANCE:
        return scenario
    return replace(scenario, neighbours=tuple(_beside(dice, scenario) for _ in range(dice.randint(1, 2))))


def _perhaps_quiet(scenario: Scenario) -> Scenario:
    """Of dice of their own, so that whatever else a seed has stays as it was; but where it is quiet, somebody arms the
    knife that would not be armed otherwise."""
    dice = Random(f"quiet of {scenario.seed}")
    if dice.random() >= QUIET_CHANCE:
        return scenario
    armed_h = round(dice.uniform(0.1, 0.5), 3)
    return replace(scenario, quiet=True, armed_h=armed_h if scenario.armed_h is None else scenario.armed_h)


def _with_more(scenario: Scenario, dice: Random) -> Scenario:
    has_battery = dice.random() < BATTERY_CHANCE and not scenario.kinds & STEPS
    scenario = replace(scenario, battery_ppm=BATTERY_PPM if has_battery else None)
    kinds = [dice.choice(tuple(MORE)) for _ in range(dice.choice(COUNTS))]
    loses = dice.random() < LOSES_CHANCE
    more = tuple(_fault(dice, kind, scenario) for kind in kinds)
    return replace(scenario, faults=(*scenario.faults, *more), loses=loses)


def _beside(dice: Random, scenario: Scenario) -> Scenario:
    """Another machine on the same server, with faults of its own, but for those of the server."""
    other = draw(FIRST_NEIGHBOUR + dice.randrange(10**6))
    # As in a scenario of its own: what a board has lost, and its server has, too, nobody knows any more.
    elsewhere = {*SERVERS, *(TAKEOVERS if scenario.kinds & set(FORGETS) else ())}
    faults = tuple(fault for fault in other.faults if fault.kind not in elsewhere)
    other = _with_more(replace(other, faults=faults), dice)
    return replace(other, loses=scenario.loses)


def _fault(dice: Random, kind: str, scenario: Scenario) -> Fault:
    at_h, lasts_h = dice.uniform(-0.2, 0.9 * scenario.hours), dice.uniform(*SHORT_H)
    return Fault(at_h=round(at_h, 3), kind=kind, lasts_h=round(lasts_h, 3), detail=_detail(dice, kind, scenario))


def _detail(dice: Random, kind: str, scenario: Scenario) -> str:
    if kind == "clock-lost":
        shows = dice.choice(WITHOUT_BATTERY if scenario.battery_ppm is None else WITH_BATTERY)
        return f"{shows} {dice.choice(('online', 'offline'))}"
    if kind == "person-acts":
        return dice.choice(DONE_BY_HAND)
    return dice.choice(FIRST_CHANGES) if kind == "plans-change" else ""
