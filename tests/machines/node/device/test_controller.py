"""What the stops of the machine mean, when nobody is there."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from machines.node.store import operator_actions
from machines.operator import holds
from machines.protocol.journal_entries import ConditionsChanged, GapSettled
from tests.machines.node.rig import HandClock, Rig, make_studio


@pytest.fixture
def node(tmp_path: Path) -> Rig:
    """Five columns are laid, and it may resume unattended."""
    clock = HandClock()
    made = Rig(tmp_path, make_studio(clock), clock)
    made.fetch()
    made.run_columns(5)
    return made


def laid(node: Rig) -> list[int]:
    return [column for column in node.paper().laid["column"].tolist() if column >= 0]


def spoil(node: Rig) -> None:
    """Somebody else laid something further on: whatever is ordered before it is refused, and nothing is wrong."""
    assert node.machine is not None
    node.machine.machine.lay(60, np.zeros((40, 1), dtype=bool), -1)


def act(node: Rig, action: str) -> None:
    with node.journal.transaction() as db:
        operator_actions.act(db, action)  # type: ignore[arg-type]


def unknown(node: Rig) -> int:
    return sum(len(entry.decision.unknown) for entry in node.entries(GapSettled))


def test_a_machine_that_refuses_every_order_and_says_nothing_is_held_for_a_person(node: Rig) -> None:
    spoil(node)
    node.run_columns(40)
    assert node.journal.state().hold == holds.REFUSING
    assert unknown(node) <= 3, "it does not count as used to the end of the run"
    assert len(node.paper().refused) == 3
    assert node.entries(ConditionsChanged)[-1].keywords == ("other-error",)
    node.run_columns(1)
    assert {"paused", "other-error"} <= set(node.entries(ConditionsChanged)[-1].keywords)


def test_it_is_held_still_when_the_board_starts_again_and_says_so(node: Rig) -> None:
    spoil(node)
    node.run_columns(40)
    node.crash()
    node.start()
    node.run_columns(10)
    assert node.journal.state().hold == holds.REFUSING
    assert len(node.paper().refused) == 3


def test_resumed_it_is_tried_as_often_again(node: Rig) -> None:
    spoil(node)
    node.run_columns(40)
    act(node, "resume")
    node.run_columns(20)
    assert node.journal.state().hold == holds.REFUSING
    assert len(node.paper().refused) == 6


def test_an_order_followed_in_between_is_trust_enough(node: Rig) -> None:
    for _ in range(4):
        assert node.machine is not None
        node.machine.stop_with = ("other-error",)
        node.run_columns(1)
        node.machine.keywords = ()
        node.run_columns(2)
    assert node.journal.state().hold == ""


def test_a_machine_that_says_what_is_wrong_is_waited_for(node: Rig) -> None:
    for _ in range(6):
        assert node.machine is not None
        node.machine.stop_with = ("media-jam-error",)
        node.run_columns(2)
        node.machine.keywords = ()
    node.run_columns(3)
    assert node.journal.state().hold == ""
    assert laid(node)[-1] > 5
