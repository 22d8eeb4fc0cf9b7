"""What a person says on an outage, of all that can be said: drawn behind what a seed stood for, by dice of its own."""

from __future__ import annotations

from dataclasses import replace
from random import Random

from tests.faults.kinds import WORDS
from tests.faults.options import PERIOD, POLICIES, SHIFTS
from tests.faults.scenario import Scenario

# How many of the words are another rule than their fault names.
OTHER_CHANCE = 0.5


def with_word(scenario: Scenario) -> Scenario:
    """A scenario whose person may say any rule that its run can have, with its limit and what becomes of a segment that
    is half printed; one in which nobody says anything stays as it is."""
    dice = Random(f"word of {scenario.seed}")
    if not scenario.kinds & set(WORDS) or dice.random() >= OTHER_CHANCE:
        return scenario
    return replace(scenario, word=dice.choice([name for name in POLICIES if _can_be_said(name, scenario)]))


def _can_be_said(name: str, scenario: Scenario) -> bool:
    """A word is one rule, whatever the cause; only a plain period waits, and only where hours are known one is printed
    in those in which the venue is closed."""
    if "by_cause" in POLICIES[name]:
        return False
    if name in SHIFTS:
        return scenario.cycle == PERIOD
    return scenario.policy == "closed" or not POLICIES[name].get("only_while_closed", False)
