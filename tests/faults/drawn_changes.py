"""Changes of plans, drawn behind all else that a seed stands for: what people say otherwise, and amid which fault."""

from __future__ import annotations

from dataclasses import replace
from random import Random

from tests.faults.changing import CHANGES
from tests.faults.drawn_words import with_word
from tests.faults.scenario import Fault, Scenario, draw

# How many scenarios have any, and of those how many have one more soon after.
CHANGED_CHANCE, TWICE_CHANCE = 0.35, 0.4
# How many are said amid a fault or soon after it, while what is missing is settled and printed late.
AMID_CHANCE, AFTER_H = 0.7, 0.8
SOON_H = 0.3


def draw_all(seed: int) -> Scenario:
    """The scenario of a seed, with what is said in it of all that can be, and its changes of plans."""
    return with_changes(with_word(draw(seed)))


def with_changes(scenario: Scenario) -> Scenario:
    """A scenario with its changes of plans behind all that it had, from dice of their own."""
    dice = Random(f"changes of {scenario.seed}")
    if dice.random() >= CHANGED_CHANCE:
        return scenario
    at_h = _at_h(dice, scenario)
    found = [_change(scenario, 0, at_h)]
    if dice.random() < TWICE_CHANCE:
        found.append(_change(scenario, 1, min(at_h + dice.uniform(0.0, SOON_H), 0.95 * scenario.hours)))
    return replace(scenario, faults=(*scenario.faults, *found))


def _at_h(dice: Random, scenario: Scenario) -> float:
    """Amid one of its faults as often as not, or whenever."""
    amid, share, after_h = dice.choice(scenario.faults), dice.random(), dice.uniform(0.0, AFTER_H)
    at_h = dice.uniform(-0.2, 0.9 * scenario.hours)
    if dice.random() < AMID_CHANCE:
        at_h = amid.at_h + share * (amid.lasts_h + after_h)
    return min(at_h, 0.9 * scenario.hours)


def _change(scenario: Scenario, number: int, at_h: float) -> Fault:
    """Each kind has dice of its own, and the highest wins: one kind more takes no other's seeds but those it wins."""
    highest = max(CHANGES, key=lambda name: Random(f"{name} {number} of {scenario.seed}").random())
    return Fault(at_h=round(at_h, 3), kind="plans-change", lasts_h=SOON_H, detail=highest)
