"""What a person does at the machine: nothing moves while something holds, and only a person lets it go on."""

from __future__ import annotations

import math
import sqlite3
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.errors import InputError
from machines.node.printing.loop import Printer
from machines.node.store import operator_actions
from machines.node.store.journal import change_state
from machines.node.work import offers
from machines.operator import holds
from machines.protocol.journal_entries import (
    Action,
    ConditionsChanged,
    GapSettled,
    KnifeArmed,
    KnifeDisarmed,
    NodeStarted,
    NodeStopped,
    OperatorActed,
)
from tests.machines.node.account import assert_accounted
from tests.machines.node.made_by import made_by
from tests.machines.node.relay import line_profile
from tests.machines.node.rig import HandClock, Rig, make_studio

ACTIONS: list[Action] = [*operator_actions._STEPS]  # all that there are, and in no other list


@pytest.fixture
def node(tmp_path: Path) -> Rig:
    clock = HandClock()
    made = Rig(tmp_path, make_studio(clock), clock, resume_unattended=False)
    made.fetch()
    made.run_columns(5)
    return made


def act(node: Rig, action: Action) -> None:
    with node.journal.transaction() as db:
        operator_actions.act(db, action)


def laid(node: Rig) -> int:
    return len(node.paper().laid)


@pytest.mark.parametrize("action", ["pause", "park", "stop"])
def test_held_it_stands_still_capped_and_disarmed(node: Rig, action: Action) -> None:
    with node.journal.transaction() as db:
        change_state(db, arming_asked=1)
    node.run_columns(1)
    machine = node.machine
    assert machine is not None
    act(node, action)
    node.run_columns(80)
    assert laid(node) == 6
    assert machine.closed, "capped and parked"
    assert not node.journal.state().knife_armed
    assert not node.paper().cuts.size
    assert node.entries(ConditionsChanged)[-1].keywords == ("paused",)


def test_resumed_it_prints_on_and_the_gap_is_a_service(node: Rig) -> None:
    act(node, "pause")
    node.run_columns(10)
    act(node, "resume")
    node.run_columns(5)
    assert node.paper().laid["column"].tolist() == [*range(5), *range(15, 20)]
    assert node.entries(GapSettled)[-1].gap.cause == "service"
    assert node.entries(ConditionsChanged)[-1].keywords == ()
    assert [entry.action for entry in node.entries(OperatorActed)] == ["pause", "resume"]
    assert_accounted(node)


def test_a_stop_holds_through_resume_and_restart_until_it_is_released_and_then_resumed(node: Rig) -> None:
    act(node, "stop")
    node.run_columns(2)
    with pytest.raises(InputError, match="release the stop first"):
        act(node, "resume")
    node.stop()
    node.start()
    node.run_columns(2)
    node.crash()
    node.start()
    node.run_columns(2)
    assert laid(node) == 5
    act(node, "release")
    node.run_columns(2)
    assert laid(node) == 5, "a release starts nothing"
    act(node, "resume")
    node.run_columns(2)
    assert laid(node) == 7


def test_what_is_ordered_but_not_given_to_the_machine_is_withdrawn(node: Rig) -> None:
    while not node.printer.in_hand:
        node.clock.at += node.printer.step()
    act(node, "stop")
    node.printer.step()
    assert not node.printer.in_hand
    node.run_columns(3)
    assert laid(node) == 5
    act(node, "release")
    act(node, "resume")
    node.run_columns(2)
    assert not any(len(settled.decision.unknown) for settled in node.entries(GapSettled))
    assert_accounted(node)


def test_after_a_power_cut_it_waits_for_a_person(node: Rig) -> None:
    node.crash()
    node.start()
    node.run_columns(10)
    assert laid(node) == 5
    assert node.entries(ConditionsChanged)[-1].keywords == ("paused",)
    act(node, "resume")
    node.run_columns(2)
    assert laid(node) == 7
    assert node.entries(GapSettled)[-1].gap.cause == "power"


def test_where_the_venue_allows_it_it_resumes_unattended(node: Rig) -> None:
    node.crash()
    node.resume_unattended = True
    node.start()
    node.run_columns(4)
    assert laid(node) == 9


def test_what_a_person_holds_is_never_resumed_unattended(node: Rig) -> None:
    act(node, "pause")
    node.crash()
    node.resume_unattended = True
    node.start()
    node.run_columns(4)
    assert laid(node) == 5


@pytest.mark.parametrize("while_it_prints", [True, False])
def test_a_machine_that_stopped_by_itself_waits_for_a_person_also_when_its_trouble_is_over(
    node: Rig, while_it_prints: bool
) -> None:
    assert node.machine is not None
    if while_it_prints:
        node.machine.stop_with = ("media-jam-error",)
    else:
        node.machine.keywords = ("media-jam-error",)
    node.run_columns(2)
    machine = node.machine
    machine.keywords = ()
    node.run_columns(10)
    assert laid(node) == 5
    assert node.journal.state().hold == holds.UNPLANNED
    act(node, "resume")
    node.run_columns(2)
    assert laid(node) == 7


@pytest.mark.parametrize("held_by", ["the jam", "a person", "a power cut"])
def test_who_lets_it_go_on_while_it_is_jammed_does_not_find_it_moving_when_the_jam_is_cleared(
    node: Rig, held_by: str
) -> None:
    if held_by == "a person":
        act(node, "pause")
        node.run_columns(1)
    if held_by == "a power cut":
        node.crash()
        node.start()
        node.run_columns(1)
    assert node.machine is not None
    node.machine.keywords = ("media-jam-error",)
    node.run_columns(2)
    act(node, "resume")
    node.machine.keywords = ("media-jam-error",)  # it was opened anew meanwhile
    node.run_columns(2)
    node.machine.keywords = ()
    node.run_columns(5)
    assert laid(node) == 5
    assert node.journal.state().hold == holds.UNPLANNED
    act(node, "resume")
    node.run_columns(2)
    assert laid(node) == 7


def test_a_machine_that_stopped_while_there_was_no_work_waits_for_a_person(node: Rig) -> None:
    with node.journal.transaction() as db:
        offers.drop_work(db)
    node.run_columns(1)
    node.fetch()
    assert node.machine is not None
    node.machine.keywords = ("media-jam-error",)
    node.run_columns(1)
    assert node.journal.state().hold == holds.UNPLANNED


def test_a_machine_in_trouble_before_it_printed_needs_nobody_when_that_is_over(node: Rig) -> None:
    """A controller that is plugged in after the board, for one."""
    node.stop()
    node.start()
    # So that the driver is open and nothing was laid yet: a step would do both.
    node.printer._driver_of(node.printer._current(node.journal.state()))  # type: ignore[arg-type]
    assert node.machine is not None
    node.machine.keywords = ("connecting-to-device-error",)
    node.run_columns(10)
    assert laid(node) == 5
    node.machine.keywords = ()
    node.run_columns(2)
    assert laid(node) == 7


def test_the_machines_condition_shows_while_it_is_held(node: Rig) -> None:
    act(node, "park")
    node.run_columns(1)
    assert node.machine is not None
    node.machine.keywords = ("media-empty-error",)
    node.run_columns(1)
    assert node.entries(ConditionsChanged)[-1].keywords == ("paused", "media-empty-error")


def test_hands_go_in_only_while_it_stands(node: Rig) -> None:
    for action in ("roll-changed", "cartridge-changed", "blade-changed"):
        with pytest.raises(InputError, match="park it for service first"):
            act(node, action)  # type: ignore[arg-type]
    act(node, "park")
    with node.journal.transaction() as db:
        change_state(db, blade_cuts=17)
    act(node, "roll-changed")
    act(node, "blade-changed")
    state = node.journal.state()
    assert (state.roll_place, state.blade_cuts, state.hold) == (5, 0, holds.PARKED)


def test_cuts_are_counted_until_the_blade_is_changed(tmp_path: Path) -> None:
    clock = HandClock()
    node = Rig(tmp_path, make_studio(clock), clock)
    node.fetch()
    with node.journal.transaction() as db:
        change_state(db, arming_asked=1)
    node.run_columns(180)
    assert node.journal.state().blade_cuts == 3 == len(node.paper().cuts)


def test_what_was_done_without_the_time_is_reported_when_it_is_known(node: Rig) -> None:
    node.time_known = False
    act(node, "park")
    act(node, "roll-changed")
    node.run_columns(3)
    assert not node.entries(OperatorActed)
    node.time_known = True
    node.run_columns(1)
    assert [entry.action for entry in node.entries(OperatorActed)] == ["park", "roll-changed"]
    assert node.journal.state().actions == 0
    node.fetch()
    assert len(node.studio.all_of(OperatorActed)) == 2


@given(st.lists(st.sampled_from(ACTIONS), max_size=30))
def test_only_resume_lets_it_go_on_and_never_from_a_stop(actions: list[Action]) -> None:
    connection = sqlite3.connect(":memory:", isolation_level=None)
    connection.executescript(made_by())
    before = ""
    for action in actions:
        try:
            operator_actions.act(connection, action)
        except InputError as error:
            assert error.remedy
        (now,) = connection.execute("SELECT hold FROM state").fetchone()
        assert now in holds.AT_MACHINE
        if before and not now:
            assert action == "resume"
            assert before != holds.STOPPED
        before = now
    connection.close()


def test_a_motion_that_is_under_way_is_halted_from_another_thread(node: Rig) -> None:
    printer: Printer = node.printer
    assert node.machine is not None
    halted: list[bool] = []
    node.machine.halt = lambda: halted.append(True)  # type: ignore[method-assign]
    printer.halt()
    assert not halted, "nothing is under way"
    laid_before = node.machine.lay

    def lay(*order: object) -> None:
        printer.halt()
        laid_before(*order)  # type: ignore[arg-type]

    node.machine.lay = lay  # type: ignore[method-assign]
    node.run_columns(1)
    assert halted


def arm(node: Rig) -> None:
    with node.journal.transaction() as db:
        change_state(db, arming_asked=1)
    node.run_columns(1)
    assert node.journal.state().knife_armed


def told_of_the_knife(node: Rig) -> list[str]:
    return [
        entry.why if isinstance(entry, KnifeDisarmed) else "armed"
        for entry in node.entries()
        if isinstance(entry, KnifeArmed | KnifeDisarmed)
    ]


@pytest.mark.parametrize(("action", "why"), [("pause", "paused"), ("park", "parked"), ("stop", "stopped")])
def test_what_a_person_disarms_by_holding_it_is_told_after_what_they_did(node: Rig, action: Action, why: str) -> None:
    arm(node)
    act(node, action)
    node.run_columns(1)  # it comes to rest; what disarmed it is told when it looks again
    node.run_columns(1)
    assert told_of_the_knife(node) == ["armed", why]
    acted, disarmed = node.entries(OperatorActed)[-1], node.entries(KnifeDisarmed)[-1]
    assert acted.seq < disarmed.seq
    node.run_columns(5)
    assert told_of_the_knife(node) == ["armed", why], "once"


def test_a_jam_disarms_the_knife_and_it_is_told_so(node: Rig) -> None:
    arm(node)
    assert node.machine is not None
    node.machine.keywords = ("media-jam-error",)
    node.run_columns(1)
    node.run_columns(1)
    assert told_of_the_knife(node) == ["armed", "jam"]


def test_a_disarming_without_the_time_is_told_before_the_start_that_follows(node: Rig) -> None:
    arm(node)
    node.time_known = False
    act(node, "pause")
    node.run_columns(2)
    assert told_of_the_knife(node) == ["armed"]
    node.stop()
    node.start()
    node.time_known = True
    node.run_columns(1)
    assert told_of_the_knife(node) == ["armed", "paused"]
    assert node.entries(KnifeDisarmed)[-1].seq < node.entries(NodeStarted)[-1].seq


def test_an_orderly_stop_is_told_as_the_last_word_and_a_power_cut_tells_nothing(node: Rig) -> None:
    node.stop()
    node.start()
    node.run_columns(1)
    assert [type(entry).__name__ for entry in node.entries() if "Node" in type(entry).__name__] == [
        "NodeStarted",
        "NodeStopped",
        "NodeStarted",
    ]
    node.crash()
    node.start()
    assert len(node.entries(NodeStopped)) == 1


def test_without_the_time_an_orderly_stop_is_not_told(node: Rig) -> None:
    node.time_known = False
    node.stop()
    node.time_known = True
    node.start()
    assert not node.entries(NodeStopped)


@pytest.mark.parametrize(("error_s", "told"), [(1.0, 1), (math.inf, 0)])
def test_while_a_clock_is_in_doubt_an_orderly_stop_is_told_where_it_prints_by_it(
    node: Rig, error_s: float, told: int
) -> None:
    node.in_doubt, node.error_s = True, error_s
    laid = len(node.paper().laid)
    node.run_columns(3)
    assert (len(node.paper().laid) > laid) == bool(told)
    node.stop()
    node.start()
    assert len(node.entries(NodeStopped)) == told


def test_why_it_stood_still_outlives_the_agent(tmp_path: Path) -> None:
    """A jam, then an orderly restart, then a power cut: what was first is the cause."""
    clock = HandClock()
    node = Rig(tmp_path, make_studio(clock), clock, resume_unattended=True)
    node.fetch()
    node.run_columns(5)
    assert node.machine is not None
    node.machine.keywords = ("media-jam-error",)
    node.run_columns(10)
    node.stop()
    clock.at += 600.0
    node.start()
    node.crash()
    clock.at += 600.0
    node.start()
    node.run_columns(10)
    assert [entry.gap.cause for entry in node.entries(GapSettled)] == ["jam"]
    node.stop()
    clock.at += 1200.0
    node.start()
    node.run_columns(10)
    assert [entry.gap.cause for entry in node.entries(GapSettled)] == ["jam", "service"], "over, once it is settled"


def test_a_power_cut_while_a_person_paused_it_is_a_service(node: Rig) -> None:
    act(node, "pause")
    node.run_columns(3)
    node.crash()
    node.clock.at += 600.0
    node.start()
    act(node, "resume")
    node.run_columns(10)
    assert [entry.gap.cause for entry in node.entries(GapSettled)] == ["service"]


def test_a_board_that_comes_late_by_itself_says_nothing_of_the_machine(node: Rig) -> None:
    node.run_columns(3)
    node.clock.at += 10 * 120.0  # a busy card: the print loop was not asked for so long
    node.run_columns(3)
    assert [entry.gap.cause for entry in node.entries(GapSettled)] == ["board"]


def test_who_resumes_it_is_told_that_the_knife_is_off(node: Rig) -> None:
    arm(node)
    act(node, "pause")
    node.run_columns(1)
    with node.journal.transaction() as db:
        assert operator_actions.said_after(db, "pause", line_profile()) == ""
        operator_actions.act(db, "resume")
        assert "The knife is off: arm it" in operator_actions.said_after(db, "resume", line_profile())
    arm(node)
    with node.journal.reading() as db:
        assert operator_actions.said_after(db, "resume", line_profile()) == ""
