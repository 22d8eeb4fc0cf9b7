"""Arming: it reaches the machine before the journal says so, and whatever stops the machine undoes it."""

from __future__ import annotations

from pathlib import Path

import pytest

from machines.chance import SYSTEM
from machines.node.manual.arming import wait_for_rest
from machines.node.panel.panel import Panel
from machines.node.store import operator_actions
from machines.node.store.journal import change_state
from machines.operator import stop_causes
from machines.protocol.journal_entries import ConditionsChanged, KnifeArmed, StripCut
from tests.machines.node.account import assert_accounted
from tests.machines.node.rig import Crash, HandClock, Rig, make_studio


@pytest.fixture
def node(tmp_path: Path) -> Rig:
    clock = HandClock()
    made = Rig(tmp_path, make_studio(clock), clock)
    made.fetch()
    made.run_columns(3)
    return made


def ask(node: Rig) -> None:
    with node.journal.transaction() as db:
        change_state(db, arming_asked=1)


def armed(node: Rig) -> bool:
    state = node.journal.state()
    assert not state.arming_asked
    return state.knife_armed


def test_the_machine_is_armed_and_then_the_journal_says_so(node: Rig) -> None:
    ask(node)
    node.run_columns(1)
    assert armed(node)
    assert node.machine is not None
    assert node.machine.armings == 1
    assert len(node.entries(KnifeArmed)) == 1


def test_a_machine_that_refuses_leaves_it_disarmed_and_says_why(node: Rig) -> None:
    assert node.machine is not None
    node.machine.refuses_to_arm = ("separation-cutter-interlock-open-error",)
    ask(node)
    node.printer.step()
    assert not armed(node)
    assert not node.entries(KnifeArmed)
    assert node.entries(ConditionsChanged)[0].keywords == ("separation-cutter-interlock-open-error",)


@pytest.mark.parametrize("burns", range(6))
def test_a_power_cut_at_any_place_leaves_no_knife_that_the_journal_calls_armed(node: Rig, burns: int) -> None:
    ask(node)
    node.fuse.left = burns
    with pytest.raises(Crash):
        node.run_columns(5)
    node.crash()
    node.fuse.left = None
    node.start()
    assert not armed(node)
    node.run_columns(50)
    assert not any(cut.made for cut in node.entries(StripCut) if cut.boundary > 0)
    node.fetch()
    assert_accounted(node)


def test_a_machine_that_stops_while_it_prints_is_disarmed(node: Rig) -> None:
    ask(node)
    node.run_columns(1)
    assert node.machine is not None
    node.machine.stop_with = ("media-jam-error",)
    node.run_columns(2)
    assert not armed(node)
    node.machine.keywords = ()
    node.run_columns(80)
    assert [cut.made for cut in node.entries(StripCut)] == [False]


def test_a_grave_condition_disarms_and_voids_an_arming_that_was_asked_for(node: Rig) -> None:
    ask(node)
    node.run_columns(1)
    assert armed(node)
    assert node.machine is not None
    node.machine.keywords = ("cover-open-error",)
    node.run_columns(1)
    assert not armed(node)
    ask(node)
    node.run_columns(1)
    assert not armed(node), "nobody may be there any more when the cover is closed"
    node.machine.keywords = ()
    node.run_columns(1)
    assert not armed(node)


def test_a_machine_that_says_its_knife_is_disarmed_is_believed(node: Rig) -> None:
    ask(node)
    node.run_columns(1)
    assert node.machine is not None
    node.machine.keywords = (stop_causes.KNIFE_OFFLINE,)
    node.run_columns(4)
    assert not armed(node)
    assert len(node.paper().laid) == 8, "it prints on: the warning is of the knife alone"


def test_while_a_burst_is_awaited_the_machine_is_asked_how_it_is(node: Rig) -> None:
    """A watchdog must hear something, and an open cover must be seen, however long a column lasts."""
    while not node.printer.in_hand:
        node.clock.at += node.printer.step()
    laid = len(node.paper().laid)
    assert node.machine is not None
    assert 0 < node.printer.step() <= 30.0
    node.machine.keywords = ("cover-open-error",)
    node.printer.step()
    assert not node.printer.in_hand
    node.run_columns(2)
    assert len(node.paper().laid) == laid
    assert node.entries(ConditionsChanged)[-1].keywords == ("cover-open-error",)


def test_a_new_journal_goes_on_where_the_machine_remembers_its_paper(node: Rig, tmp_path: Path) -> None:
    """As when a board is replaced: its journal begins at 0, the paper does not."""
    node.crash()
    for file in tmp_path.glob("journal*"):
        file.unlink()
    new = Rig(tmp_path, node.studio, node.clock)
    new.fetch()
    new.run_columns(4)
    paper = new.paper()
    assert not paper.refused.size
    assert paper.laid["place"].tolist() == list(range(len(paper.laid)))
    assert len(paper.laid) > 4


def test_who_holds_it_is_told_whether_it_has_come_to_rest(node: Rig) -> None:
    ask(node)
    node.run_columns(1)
    assert not wait_for_rest(node.journal, 0.1), "the agent has not taken a step since"
    with node.journal.transaction() as db:
        operator_actions.act(db, "pause")
    node.run_columns(1)
    assert wait_for_rest(node.journal, 0.1)


def test_who_pauses_it_again_is_told_that_a_knife_armed_meanwhile_stays_armed(node: Rig) -> None:
    """It has come to rest already, and does not once more."""
    panel = Panel(node.journal, node.clock, lambda: None, SYSTEM, "boot")
    with node.journal.transaction() as db:
        operator_actions.act(db, "pause")
    node.run_columns(1)
    ask(node)
    node.run_columns(1)
    assert armed(node)
    assert panel.act("pause", {}) == "Done: Pause. Its knife is armed: park it, or stop it, to have it off."
    node.run_columns(2)
    assert armed(node)
