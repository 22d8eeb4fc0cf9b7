"""The smallest plan of faults that still breaks what a scenario breaks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from tests.faults.scenario import Scenario


def with_faults(scenario: Scenario, numbers: Sequence[int]) -> Scenario:
    """A scenario with some of its faults only, by their numbers from 0."""
    return replace(scenario, faults=tuple(scenario.faults[number] for number in sorted(numbers)))


def smallest(scenario: Scenario, breaks: Callable[[Scenario], bool]) -> list[int]:
    """Numbers of the faults that are left where each that can be spared is taken away, one after another.

    Args:
        scenario: that breaks.
        breaks: whether one does.
    """
    left = list(range(len(scenario.faults)))
    for number in list(left):
        without = [one for one in left if one != number]
        if breaks(with_faults(scenario, without)):
            left = without
    return left
