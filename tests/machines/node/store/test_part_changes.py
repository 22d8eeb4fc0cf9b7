"""What was said of a part by mistake is taken back: the counts are as if nobody had said it, and both are told."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from machines.errors import InputError
from machines.model.profile import CarriageHead, IdleFiring
from machines.node.manual import arming
from machines.node.store import identity, operator_actions, part_changes
from machines.node.store.identity import Credentials
from machines.node.store.journal import State, change_state
from machines.node.store.part_changes import TAKES_BACK
from machines.node.work.takeover import enrol
from machines.protocol.journal_entries import Action, OperatorActed
from tests.machines.node.relay import carriage_profile, line_profile
from tests.machines.node.rig import HandClock, Rig, make_studio

TURN = 720
CREDENTIALS = Credentials(server="http://host", token="secret", machine="m1", epoch=1)


def printing(home: Path, columns: int = 30, **profile: object) -> Rig:
    clock = HandClock()
    head = CarriageHead(
        nozzles=12, passes=2, drop_pl=10.0, cartridge_ml=0.01, idle_firing=IdleFiring(drops=1, every_s=60.0)
    )
    made = carriage_profile(head=head) if not profile else line_profile(**profile)  # type: ignore[arg-type]
    node = Rig(home, make_studio(clock, profile=made), clock)
    node.fetch()
    node.run_columns(columns)
    return node


def act(node: Rig, *actions: Action) -> None:
    for action in actions:
        arming.act(node.journal, action, runs=False)


def counts(node: Rig) -> tuple[int, int, int, float | None]:
    state: State = node.journal.state()
    return state.roll_place, state.blade_cuts, state.drops, state.drops_since


def go_on(node: Rig, columns: int) -> None:
    act(node, "resume")
    node.run_columns(columns)


def mistakes(node: Rig) -> tuple[Action, ...]:
    with node.journal.reading() as db:
        return part_changes.mistakes(db, node.studio.profile.columns_per_turn)


@pytest.mark.parametrize("back", [*TAKES_BACK])
def test_taken_back_at_once_all_counts_are_what_they_were(tmp_path: Path, back: Action) -> None:
    node = printing(tmp_path)
    with node.journal.transaction() as db:
        change_state(db, blade_cuts=17, roll_place=3)
    act(node, "park")
    before = counts(node)
    assert before[2] > 0 and before[3] is not None
    act(node, TAKES_BACK[back])
    assert counts(node) != before
    act(node, back)
    assert counts(node) == before
    assert mistakes(node) == ()


def test_what_was_used_in_between_counts_for_the_part_that_was_there(tmp_path: Path) -> None:
    """Beside a machine where nobody pressed anything, the same run comes to the same counts."""
    honest, mistaken = printing(tmp_path / "honest"), printing(tmp_path / "mistaken")
    for node in (honest, mistaken):
        with node.journal.transaction() as db:
            change_state(db, blade_cuts=5)
        act(node, "park")
    act(mistaken, "roll-changed", "cartridge-changed", "blade-changed")
    for node in (honest, mistaken):
        go_on(node, 60)
        with node.journal.transaction() as db:
            db.execute("UPDATE state SET blade_cuts = blade_cuts + 2")
    assert counts(mistaken) != counts(honest)
    act(mistaken, *TAKES_BACK)
    assert counts(mistaken) == counts(honest)
    assert counts(honest)[1] == 7 and counts(honest)[2] > 0


def test_a_cartridge_that_had_not_fired_yet_has_fired_since_what_was_laid_after(tmp_path: Path) -> None:
    node = printing(tmp_path, columns=0)
    act(node, "park", "cartridge-changed")
    go_on(node, 33)
    since = node.journal.state().drops_since
    assert since is not None
    act(node, "cartridge-not-changed")
    assert node.journal.state().drops_since == since


def test_a_part_is_taken_back_by_itself_and_the_last_is_offered_first(tmp_path: Path) -> None:
    """The roll was pressed for the blade, and then the blade."""
    node = printing(tmp_path)
    act(node, "park", "roll-changed", "blade-changed")
    assert mistakes(node) == ("blade-not-changed", "roll-not-changed")
    act(node, "roll-not-changed")
    assert node.journal.state().roll_place == 0
    assert mistakes(node) == ("blade-not-changed",)


def test_pressed_twice_it_is_taken_back_twice(tmp_path: Path) -> None:
    node = printing(tmp_path)
    here = node.journal.state().paper_position
    act(node, "park", "roll-changed", "roll-changed", "roll-not-changed")
    assert (node.journal.state().roll_place, mistakes(node)) == (here, ("roll-not-changed",))
    act(node, "roll-not-changed")
    assert (node.journal.state().roll_place, mistakes(node)) == (0, ())


def test_what_nobody_said_is_not_taken_back(tmp_path: Path) -> None:
    node = printing(tmp_path)
    act(node, "park", "blade-changed")
    before = counts(node)
    with pytest.raises(InputError, match="Roll was not changed cannot be done now: of late nobody said that it was"):
        act(node, "roll-not-changed")
    assert counts(node) == before
    assert node.journal.state().actions == 2


def test_it_can_be_for_a_turn_of_paper_and_no_longer(tmp_path: Path) -> None:
    node = printing(tmp_path, media=replace(line_profile().media, roll_m=30.0))
    act(node, "park", "roll-changed")
    place = node.journal.state().paper_position
    with node.journal.transaction() as db:
        change_state(db, paper_position=place + TURN)
    assert mistakes(node) == ("roll-not-changed",)
    with node.journal.transaction() as db:
        change_state(db, paper_position=place + TURN + 1)
    assert mistakes(node) == ()
    with pytest.raises(InputError, match="of late nobody said"):
        act(node, "roll-not-changed")


def test_it_moves_nothing_and_lets_nothing_go_on_and_is_done_while_it_prints_too(tmp_path: Path) -> None:
    node = printing(tmp_path)
    act(node, "park", "roll-changed", "blade-changed", "roll-not-changed")
    assert node.journal.state().hold == "parked"
    go_on(node, 20)
    laid = len(node.paper().laid)
    act(node, "blade-not-changed")
    assert node.journal.state().hold == ""
    node.run_columns(20)
    assert len(node.paper().laid) > laid


def test_both_are_told_in_their_order_and_outlive_a_power_cut(tmp_path: Path) -> None:
    node = printing(tmp_path)
    act(node, "park", "roll-changed")
    node.crash()
    node.start()
    act(node, "roll-not-changed", "resume")
    node.run_columns(3)
    assert [entry.action for entry in node.entries(OperatorActed)] == [
        "park", "roll-changed", "roll-not-changed", "resume",
    ]  # fmt: skip
    node.fetch()
    assert node.studio.all_of(OperatorActed)[2].action == "roll-not-changed"


def test_after_an_enrolment_what_was_said_before_stays(tmp_path: Path) -> None:
    """Another board may have told of a change since: what this one would take back is not the newest there."""
    node = printing(tmp_path)
    with node.journal.transaction() as db:
        identity.keep_credentials(db, CREDENTIALS)
    act(node, "park", "roll-changed")
    with node.journal.transaction() as db:
        enrol(db, replace(CREDENTIALS, epoch=2))
    assert mistakes(node) == ()


def test_so_much_is_remembered(tmp_path: Path) -> None:
    node = printing(tmp_path)
    act(node, "park", "roll-changed", *["blade-changed"] * 12)  # type: ignore[arg-type]
    assert mistakes(node) == ("blade-not-changed",)


def test_before_the_server_has_described_it_nothing_was_printed_and_all_can_be(tmp_path: Path) -> None:
    clock = HandClock()
    node = Rig(tmp_path, make_studio(clock), clock, resume_unattended=False)
    with node.journal.transaction() as db:
        operator_actions.act(db, "pause")
        operator_actions.act(db, "roll-changed")
        assert part_changes.mistakes(db, None) == ("roll-not-changed",)
        operator_actions.act(db, "roll-not-changed")
        assert part_changes.mistakes(db, None) == ()
