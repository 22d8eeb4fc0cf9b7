"""What counts as found of a mistake: what is kept without it, and broken with it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from types import SimpleNamespace
from typing import Any

import pytest

from tests.faults.scenario import Scenario
from tests.faults.series import Result
from tests.simulated import biting
from tests.simulated.floor import Played
from tests.simulated.wrongs import Where, Wrong

IN_PLACE: list[str] = []


@contextmanager
def put() -> Iterator[None]:
    IN_PLACE.append("it")
    yield
    IN_PLACE.clear()


def wrong(where: Where) -> Wrong:
    make: Callable[[], AbstractContextManager[object]] = put
    return Wrong(says="nothing", put=make, where=where, within=4)


def playing(breaks: Callable[[int], bool]) -> Callable[[Scenario], Played]:
    """The scenarios of some seeds break."""

    def played(scenario: Scenario) -> Played:
        problems = ["broken"] if breaks(scenario.seed) else []
        result = Result(scenario=scenario, problems=problems, columns={}, took_s=0.0, restarts=[])
        return Played(result=result, digests={}, hits=Counter())

    return played


def branching(breaks: Callable[[int], bool]) -> Callable[..., Iterator[Any]]:
    """Some branches break, counted from 1."""

    def branches(*_: Any) -> Iterator[Any]:
        for number in range(1, 100):
            yield SimpleNamespace(problems=["broken"] if breaks(number) else [])

    return branches


@pytest.mark.parametrize(
    ("breaks", "found"),
    [
        (lambda number: bool(IN_PLACE) and number == 3, (3, "broken")),
        (lambda number: number in (1, 2) or bool(IN_PLACE), (3, "broken")),
        (lambda number: True, (4, None)),
        (lambda number: bool(IN_PLACE) and number > 4, (4, None)),
    ],
    ids=["at the third", "two would break anyway", "all would", "too late"],
)
def test_a_scenario_that_breaks_without_the_mistake_does_not_count(
    monkeypatch: pytest.MonkeyPatch, breaks: Callable[[int], bool], found: tuple[int, str | None]
) -> None:
    monkeypatch.setattr(biting, "played_here", playing(breaks))
    assert biting.in_scenarios(wrong("seeds")) == found


@pytest.mark.parametrize("where", ["node", "server"])
@pytest.mark.parametrize(
    ("breaks", "found"),
    [
        (lambda number: bool(IN_PLACE) and number == 3, (3, "broken")),
        (lambda number: number == 2 or (bool(IN_PLACE) and number == 3), (2, None)),
        (lambda number: number == 3, (3, None)),
        (lambda number: bool(IN_PLACE) and number > 4, (4, None)),
    ],
    ids=["at the third", "another would break anyway", "it would break anyway", "too late"],
)
def test_branches_count_only_where_those_until_then_are_kept_without_the_mistake(
    monkeypatch: pytest.MonkeyPatch, where: Where, breaks: Callable[[int], bool], found: tuple[int, str | None]
) -> None:
    monkeypatch.setattr(biting, "stand_here", lambda: None)
    monkeypatch.setattr(biting, "branches", branching(breaks))
    assert biting.in_branches(wrong(where)) == found
