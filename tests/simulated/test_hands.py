"""What a person does at a board ends as it may, or the judge says so."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from types import SimpleNamespace
from typing import Any

import pytest

from machines.errors import InputError
from tests.simulated.agent import AgentProgram
from tests.simulated.hands import Refusal, at_boards
from tests.simulated.judged_hands import AMID, REFUSED, may_be, wrong_ends
from tests.simulated.more import draw_more
from tests.simulated.world import Task, World

SCENARIO = draw_more(1)


@dataclass
class Refusing:
    """A panel that does nothing."""

    why: Exception
    asked: list[str] = field(default_factory=list)

    def act(self, action: str, form: dict[str, str]) -> None:
        """As the panel's."""
        self.asked.append(action)
        raise self.why


@pytest.fixture
def program(tmp_path: Path) -> AgentProgram:
    """Of a board that was never enrolled."""
    network: Any = None
    return AgentProgram(World(0.0), network, SCENARIO, tmp_path, tmp_path, Random(1), tmp_path / "log")


def stage(program: AgentProgram, kinds: set[str]) -> Any:
    one: Any = SimpleNamespace(boards=[SimpleNamespace(child=program)], clones=[], kinds=kinds)
    one.together = [one]
    return one


def test_what_is_typed_in_vain_is_seen_with_what_was_said(program: AgentProgram) -> None:
    with at_boards():
        program.hands.type(["pause"])
        program.hands.type(["feed", "--mm", "3", "--yes"])
        program.world.run(10.0)
    assert [(one.action, one.status) for one in program.hands.refused] == [("pause", 2), ("feed", 2)]
    assert all(f"no journal in {program.home}" in one.said for one in program.hands.refused)
    assert len(wrong_ends(stage(program, set()))) == 2
    assert wrong_ends(stage(program, {"journal-damaged"})) == []


@pytest.mark.parametrize(
    ("why", "status", "wrong"),
    [
        (InputError("action", "cut cannot be done now: the knife is disarmed", "arm it first"), 2, False),
        (InputError("length", "not a number", "give a number"), 2, True),
        (OSError("read-only file system"), 5, True),
    ],
)
def test_what_is_pressed_in_vain_is_seen_with_what_was_said(
    program: AgentProgram, why: Exception, status: int, *, wrong: bool
) -> None:
    panel: Any = Refusing(why)
    program.hands.panel = panel
    program.begin = lambda body: Task(program.world, body, program.command_ended)  # type: ignore[method-assign]
    program.hands.press("cut", {})
    assert program.hands.is_busy
    program.world.run(1.0)
    assert not program.hands.is_busy
    assert panel.asked == ["cut"]
    assert [(one.action, one.status) for one in program.hands.refused] == [("cut", status)]
    assert bool(wrong_ends(stage(program, set()))) == wrong


def test_each_refusal_is_of_what_it_is_about_alone() -> None:
    for action, words in REFUSED.items():
        for word in words:
            assert may_be(Refusal(action, 2, f"dayroll-node: {word}"), set())
            assert not may_be(Refusal("pin", 2, f"dayroll-node: {word}"), set())
    for kind, words in AMID.items():
        for word in words:
            assert may_be(Refusal("pin", 5, word), {kind, "portal"})
            assert not may_be(Refusal("pin", 5, word), {"portal"})


def test_the_kinds_amid_which_something_is_refused_are_played() -> None:
    assert AMID.keys() <= set[str]().union(*(draw_more(seed).kinds for seed in range(1, 500)))
