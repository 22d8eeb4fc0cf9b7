"""What is left by count: of paper, of ink, of the blade."""

from __future__ import annotations

from pathlib import Path

import pytest

from machines.imaging.patterns import nozzle_check
from machines.model.profile import CarriageHead, IdleFiring, Profile
from machines.node.device.usage import drops_of, remaining_supplies
from machines.node.manual import job
from machines.node.store import operator_actions
from machines.node.store.journal import change_state
from machines.protocol.journal_entries import Action
from tests.machines.node.relay import carriage_profile, line_profile
from tests.machines.node.rig import HandClock, Rig, make_studio

PL_PER_ML = 1e9


def inked(cartridge_ml: float | None = 0.01, idle: IdleFiring | None = None) -> Profile:
    head = CarriageHead(nozzles=12, passes=2, drop_pl=10.0, cartridge_ml=cartridge_ml, idle_firing=idle)
    return carriage_profile(head=head)


def printing(home: Path, profile: Profile, columns: int = 33) -> Rig:
    clock = HandClock()
    node = Rig(home, make_studio(clock, profile=profile), clock)
    node.fetch()
    node.run_columns(columns)
    return node


def act(node: Rig, action: Action) -> None:
    with node.journal.transaction() as db:
        operator_actions.act(db, action)


def used_ml(node: Rig, now: float | None = None) -> float:
    used = remaining_supplies(node.journal.state(), node.studio.profile, now).ink_used_ml
    assert used is not None
    return used


def test_ink_is_dots_times_passes_times_the_drop(tmp_path: Path) -> None:
    node = printing(tmp_path, inked())
    dots = int(node.paper().dots.sum())
    assert dots > 100
    assert used_ml(node) == pytest.approx(dots * 2 * 10.0 / PL_PER_ML)
    remains = remaining_supplies(node.journal.state(), node.studio.profile, None)
    assert remains.ink_ml == pytest.approx(0.01 - dots * 20.0 / PL_PER_ML)


def test_the_count_outlives_a_power_cut_and_ends_with_the_cartridge(tmp_path: Path) -> None:
    node = printing(tmp_path, inked())
    before = used_ml(node)
    node.crash()
    node.start()
    assert used_ml(node) == before
    act(node, "park")
    act(node, "cartridge-changed")
    assert used_ml(node) == 0.0
    assert node.journal.state().drops_since is None


def test_idle_firing_is_counted_where_the_profile_tells_of_it(tmp_path: Path) -> None:
    """Spitting 300 nozzles x 100 drops a minute x 10 pl is 0.43 ml a day. Computed, from the trade's own example."""
    head = CarriageHead(
        nozzles=300, passes=2, drop_pl=10.0, idle_firing=IdleFiring(drops=100, every_s=60.0), cartridge_ml=40.0
    )
    node = printing(tmp_path, carriage_profile(head=head))
    since = node.journal.state().drops_since
    assert since is not None
    after_a_day = used_ml(node, since + 86400.0) - used_ml(node, since)
    assert after_a_day == pytest.approx(0.432)
    assert used_ml(node, None) == used_ml(node, since)


def test_what_is_printed_by_hand_counts_too(tmp_path: Path) -> None:
    node = printing(tmp_path, inked())
    before = node.journal.state().drops
    act(node, "pause")
    node.run_columns(1)
    with node.journal.transaction() as db:
        job.ask(db, "test-pattern", pattern="nozzles")
    node.run_columns(1)
    assert node.journal.state().drops - before == 40, "one drop in each row, each from its own nozzle"


def test_where_nobody_said_how_much_a_cartridge_holds_nothing_is_made_up(tmp_path: Path) -> None:
    node = printing(tmp_path, inked(cartridge_ml=None))
    remains = remaining_supplies(node.journal.state(), node.studio.profile, None)
    assert remains.ink_ml is None
    assert remains.ink_used_ml


def test_a_line_head_has_no_ink(tmp_path: Path) -> None:
    node = printing(tmp_path, line_profile())
    remains = remaining_supplies(node.journal.state(), node.studio.profile, node.clock.at)
    assert (remains.ink_used_ml, remains.ink_ml) == (None, None)
    assert node.journal.state().drops == 0


def test_paper_and_cuts_are_counted_from_their_change(tmp_path: Path) -> None:
    node = printing(tmp_path, line_profile(), columns=100)
    with node.journal.transaction() as db:
        change_state(db, blade_cuts=17)
    remains = remaining_supplies(node.journal.state(), node.studio.profile, None)
    assert remains.paper_m == pytest.approx(30.0 - 100 * 0.0005)
    assert remains.cuts == 983
    act(node, "park")
    act(node, "roll-changed")
    act(node, "blade-changed")
    remains = remaining_supplies(node.journal.state(), node.studio.profile, None)
    assert (remains.paper_m, remains.cuts) == (30.0, 1000)
    no_knife = line_profile(knife=None)
    assert remaining_supplies(node.journal.state(), no_knife, None).cuts is None


def test_drops_of_a_plan_are_those_that_it_fires() -> None:
    profile = carriage_profile()
    check = nozzle_check(profile, 0)
    assert drops_of(check, profile) == int(check.drops().sum()) == 40
    assert drops_of(check.laid(), profile) == 80
    assert drops_of(check.laid(), line_profile()) == 0
