"""The smallest plan that still breaks what a scenario breaks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from tests.faults.scenario import Scenario


@dataclass(frozen=True, kw_only=True)
class Plan:
    """How much is played of a scenario.

    Attributes:
        drawn: the scenario as it was drawn.
        faults: numbers of its own faults that are played, from 0.
        beside: numbers of its neighbours that are there, from 0, each with all faults of its own.
        loses: whether what was not synced is perhaps lost, if it is in what was drawn.
    """

    drawn: Scenario
    faults: tuple[int, ...]
    beside: tuple[int, ...]
    loses: bool = True

    @property
    def scenario(self) -> Scenario:
        """What is played."""
        loses = self.drawn.loses and self.loses
        beside = (self.drawn.neighbours[number] for number in self.beside)
        return replace(
            self.drawn,
            faults=tuple(self.drawn.faults[number] for number in self.faults),
            neighbours=tuple(replace(one, loses=one.loses and loses) for one in beside),
            loses=loses,
        )

    @property
    def options(self) -> list[str]:
        """What a command that plays it takes beside the seed."""
        words = ["--faults", *map(str, self.faults)]
        if len(self.beside) < len(self.drawn.neighbours):
            words += ["--beside", *map(str, self.beside)]
        return words if self.loses or not self.drawn.loses else [*words, "--nothing-lost"]


def whole(drawn: Scenario) -> Plan:
    """All of a scenario."""
    faults, beside = range(len(drawn.faults)), range(len(drawn.neighbours))
    return Plan(drawn=drawn, faults=tuple(faults), beside=tuple(beside))


def smallest(plan: Plan, breaks: Callable[[Scenario], bool]) -> Plan:
    """What is left of a plan where each neighbour and each fault that can be spared is taken away, one after another,
    and the losses of the cards.

    Args:
        plan: that breaks.
        breaks: whether a scenario does.
    """
    left = plan
    for number in plan.beside:
        left = _if_it_breaks(replace(left, beside=_without(left.beside, number)), left, breaks)
    for number in plan.faults:
        left = _if_it_breaks(replace(left, faults=_without(left.faults, number)), left, breaks)
    return _if_it_breaks(replace(left, loses=False), left, breaks) if left.scenario.loses else left


def _without(numbers: tuple[int, ...], number: int) -> tuple[int, ...]:
    return tuple(one for one in numbers if one != number)


def _if_it_breaks(less: Plan, more: Plan, breaks: Callable[[Scenario], bool]) -> Plan:
    return less if breaks(less.scenario) else more
