"""Recesses: nothing is laid while people hold the run, and what is missing afterwards is settled as any outage is."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from machines.clock import utc
from machines.node.panel import panel_state
from machines.node.store import operator_actions
from machines.node.store.journal import change_state
from machines.protocol.journal_entries import ConditionsChanged, GapSettled, KnifeArmed, StripCut
from machines.protocol.messages import Work
from machines.protocol.recesses import Recess
from machines.recovery import CauseRule, Policy, Rule
from tests.machines.node.account import assert_accounted
from tests.machines.node.outages import check_story, last_words, outage_studio
from tests.machines.node.relay import carriage_profile
from tests.machines.node.rig import Crash, HandClock, Rig, make_studio

COLUMN_S = 120.0


def rig(home: Path, columns_per_commit: int = 1, **of_studio: object) -> Rig:
    clock = HandClock()
    return Rig(home, make_studio(clock, **of_studio), clock, columns_per_commit)  # type: ignore[arg-type]


def hold(node: Rig, first: float, end: float | None) -> None:
    """From the instant of one column to shortly before that of another, by work that the node fetches."""
    assert node.studio.run is not None
    ends_at = None if end is None else utc(node.studio.instant(end - 0.5))
    recess = Recess(starts_at=utc(node.studio.instant(first)), ends_at=ends_at)
    node.studio.run = replace(node.studio.run, recesses=(recess,), revision=node.studio.run.revision + 1)
    node.fetch()


def laid(node: Rig) -> list[int]:
    return [int(column) for column in node.paper().laid["column"]]


def test_nothing_is_laid_in_a_recess_and_what_is_missing_is_left_out(tmp_path: Path) -> None:
    node = rig(tmp_path)
    hold(node, 20, 30)
    node.run_columns(50)
    assert laid(node) == [*range(20), *range(30, 50)]
    assert node.paper().laid["place"].tolist() == list(range(40))
    (settled,) = node.entries(GapSettled)
    assert (settled.gap.cause, settled.gap.first, settled.gap.unknown_end, settled.gap.end) == ("held", 20, 20, 30)
    assert settled.decision.action == "skip"
    node.fetch()
    assert_accounted(node)


@pytest.mark.parametrize("kind", ["blank", "replay"])
def test_the_policy_says_what_becomes_of_the_time_between(tmp_path: Path, kind: str) -> None:
    node = rig(tmp_path, policy=kind)
    hold(node, 20, 30)
    node.run_columns(80)
    expected = [*range(20), *range(30, 80)] if kind == "blank" else list(range(80))
    assert laid(node) == expected
    assert node.paper().laid["place"].tolist() == expected
    at = node.paper().laid["at"]
    recess = (node.studio.instant(20), node.studio.instant(29.5))
    assert not [one for one in at if recess[0] <= one < recess[1]]


def test_a_policy_may_have_a_rule_of_its_own_for_what_was_held(tmp_path: Path) -> None:
    clock = HandClock()
    by_cause = (CauseRule(causes=("held",), rule=Rule(kind="blank")),)
    node = Rig(tmp_path, outage_studio(clock, Policy(kind="skip", by_cause=by_cause)), clock)
    hold(node, 20, 30)
    node.run_columns(50)
    assert node.paper().laid["place"].tolist() == laid(node) == [*range(20), *range(30, 50)]
    node.fetch()
    check_story(node.paper(), node.studio, node.entries())  # type: ignore[arg-type]


def test_a_timeline_that_waits_leaves_nothing_out(tmp_path: Path) -> None:
    clock = HandClock()
    node = Rig(tmp_path, outage_studio(clock, Policy(kind="shift")), clock)
    hold(node, 20, 30)
    node.run_columns(60)
    assert laid(node) == list(range(len(laid(node))))
    assert 48 <= len(laid(node)) <= 50
    (settled,) = node.entries(GapSettled)
    assert settled.decision.shift_s == pytest.approx(11 * COLUMN_S, abs=COLUMN_S)


def test_a_repair_lasts_until_people_let_it_go_on(tmp_path: Path) -> None:
    node = rig(tmp_path)
    hold(node, 20, None)
    node.run_columns(100)
    assert laid(node) == list(range(20))
    assert not node.entries(GapSettled)
    hold(node, 20, 100)
    node.run_columns(20)
    assert laid(node) == [*range(20), *range(100, 120)]


def test_a_board_offline_keeps_a_recess_and_its_end(tmp_path: Path) -> None:
    node = rig(tmp_path)
    hold(node, 20, 30)
    node.studio.down = True  # nothing more is fetched
    node.stop()
    node.start()
    node.run_columns(50)
    assert laid(node) == [*range(20), *range(30, 50)]


@pytest.mark.parametrize("columns_per_commit", [1, 4])
def test_a_recess_that_is_heard_late_begins_when_it_is_heard(tmp_path: Path, columns_per_commit: int) -> None:
    node = rig(tmp_path, columns_per_commit)
    node.fetch()
    node.run_columns(25)
    hold(node, 20, 30)
    node.run_columns(25)
    assert laid(node) == [*range(25), *range(30, 50)]
    (settled,) = node.entries(GapSettled)
    assert (settled.gap.first, settled.gap.unknown_end, settled.gap.end) == (25, 25, 30)
    node.fetch()
    assert_accounted(node)


def test_a_recess_taken_back_before_it_began_leaves_no_trace(tmp_path: Path) -> None:
    node = rig(tmp_path)
    hold(node, 20, 30)
    node.run_columns(10)
    node.studio.run = replace(node.studio.run, recesses=())  # type: ignore[type-var]
    node.fetch()
    node.run_columns(40)
    assert laid(node) == list(range(50))
    assert not node.entries(GapSettled)


def test_a_burst_that_is_being_laid_is_not_torn(tmp_path: Path) -> None:
    """A recess that begins within bursts of 16: the one that began before is whole, and so is the one after."""
    node = rig(tmp_path, profile=carriage_profile(), columns=320)
    hold(node, 40, 70)
    node.run_columns(120)
    assert laid(node) == [*range(48), *range(80, 128)][: len(laid(node))]
    assert set(range(80, 112)) <= set(laid(node))
    (settled,) = node.entries(GapSettled)
    assert (settled.gap.cause, settled.gap.first, settled.gap.end) == ("held", 48, 80)


def test_a_recess_shorter_than_a_burst_between_two_bursts_costs_nothing(tmp_path: Path) -> None:
    node = rig(tmp_path, profile=carriage_profile(), columns=320)
    hold(node, 34, 44)
    node.run_columns(100)
    assert laid(node)[:96] == list(range(96))
    assert not node.entries(GapSettled)


def test_the_machine_is_capped_and_parked_and_still_asked_how_it_is(tmp_path: Path) -> None:
    node = rig(tmp_path)
    hold(node, 20, None)
    node.run_columns(10)
    before = node.machine
    assert before is not None and not before.closed
    node.run_columns(20)
    assert before.closed
    assert node.machine is not None and node.machine is not before
    node.machine.keywords = ("cover-open-warning",)
    node.run_columns(1)
    node.printer.step()
    assert node.entries(ConditionsChanged)[-1].keywords == ("cover-open-warning",)


def test_the_knife_stays_armed_and_what_is_due_for_it_is_cut_afterwards(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.fetch()
    with node.journal.transaction() as db:
        change_state(db, arming_asked=1)
    hold(node, 100, 110)
    node.run_columns(150)
    assert node.entries(KnifeArmed)
    assert node.entries(StripCut)
    assert all(entry.made for entry in node.entries(StripCut))
    node.fetch()
    assert_accounted(node)


def test_a_person_can_pause_it_within_and_it_stays_so_after_its_end(tmp_path: Path) -> None:
    node = rig(tmp_path)
    hold(node, 20, 30)
    node.run_columns(25)
    with node.journal.transaction() as db:
        operator_actions.act(db, "pause")
    node.run_columns(20)
    assert laid(node) == list(range(20))
    with node.journal.transaction() as db:
        operator_actions.act(db, "resume")
    node.run_columns(10)
    assert laid(node)[20] >= 45
    assert [entry.gap.cause for entry in node.entries(GapSettled)] == ["held"]


@pytest.mark.parametrize(("goes_at", "back_at", "cause"), [(22, 25, "held"), (25, 40, "held"), (15, 40, "power")])
def test_after_a_power_cut_the_first_reason_counts(tmp_path: Path, goes_at: int, back_at: int, cause: str) -> None:
    node = rig(tmp_path)
    hold(node, 20, 30)
    node.run_columns(goes_at)
    node.crash()
    node.clock.at += (back_at - goes_at) * COLUMN_S
    node.start()
    node.run_columns(20)
    first_after = max(back_at, 30)
    assert [column for column in laid(node) if column >= goes_at] == [*range(first_after, back_at + 20)]
    (settled,) = [entry for entry in node.entries(GapSettled) if entry.gap.end > 20]
    assert settled.gap.cause == cause
    node.fetch()
    assert_accounted(node)


def test_a_replay_goes_on_after_a_recess(tmp_path: Path) -> None:
    node = rig(tmp_path, policy="replay")
    node.fetch()
    node.run_columns(10)
    node.stop()
    node.clock.at += 40 * COLUMN_S
    node.start()
    node.run_columns(10)  # in the midst of catching up
    hold(node, 60, 70)
    node.run_columns(150)
    assert laid(node) == list(range(len(laid(node))))
    assert not [at for at in node.paper().laid["at"] if node.studio.instant(60) <= at < node.studio.instant(69.5)]
    assert [at for at in node.paper().laid["at"] if at > node.studio.instant(69.5)]
    node.fetch()
    assert_accounted(node)


def test_a_run_that_begins_in_a_recess_begins_after_it(tmp_path: Path) -> None:
    node = rig(tmp_path)
    hold(node, -0.4, 10)
    node.run_columns(20)
    assert laid(node) == list(range(10, 20))
    (settled,) = node.entries(GapSettled)
    assert settled.gap.cause == "held"


def test_a_run_that_ends_in_a_recess_is_over_after_it(tmp_path: Path) -> None:
    node = rig(tmp_path, columns=40)
    hold(node, 30, 60)
    node.run_columns(80)
    assert laid(node) == list(range(30))
    assert last_words(node.entries()) == {
        **dict.fromkeys(range(30), "printed"),
        **dict.fromkeys(range(30, 40), "left out"),
    }


def test_whoever_stands_there_reads_that_nothing_is_wrong_and_that_it_goes_on_by_itself(tmp_path: Path) -> None:
    node = rig(tmp_path)
    hold(node, 20, 30)
    for columns, said in ((10, "printing run run"), (15, "held, as was said at the server, until 2026-09-")):
        node.run_columns(columns)
        facts = panel_state.gather(node.journal, node._server_time())
        (now,) = [text for name, text in facts.lines if name == "Now"]
        assert said in now
    assert "by itself" in now


def test_wherever_the_power_goes_nothing_is_laid_in_a_recess_or_twice(tmp_path: Path) -> None:
    places = 0
    while places < 400:
        node = rig(tmp_path / str(places), policy="replay", columns=30)
        hold(node, 8, 14)
        node.fuse.left = places
        try:
            node.run_columns(12)
        except Crash:
            node.fuse.left = None
            node.crash()
            node.start()
        else:
            break
        node.run_columns(40)
        node.fetch()
        assert_accounted(node)
        first, end = node.studio.instant(8), node.studio.instant(13.5)
        assert not [at for at in node.paper().laid["at"] if first <= at < end]
        assert set(last_words(node.entries())) == set(range(30))
        places += 7
    assert places > 40


def test_work_without_recesses_is_told_as_before(tmp_path: Path) -> None:
    node = rig(tmp_path)
    work = node.studio.work()
    assert "recesses" not in work.as_json()["run"]
    hold(node, 20, 30)
    told = node.studio.work().as_json()
    assert node.studio.run is not None
    read = Work.from_json(told).run
    assert read is not None
    assert read.recesses == node.studio.run.recesses
