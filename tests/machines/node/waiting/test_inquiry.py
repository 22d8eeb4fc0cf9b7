"""A gap waits until the server was asked for a person's word on it, and not for ever."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from machines.clock import utc
from machines.node.store import operator_actions
from machines.node.waiting import inquiry as module
from machines.node.waiting.inquiry import WorkInquiry
from machines.protocol.journal_entries import GapSettled
from machines.recovery import Override, Policy, Rule
from tests.machines.node.outages import outage_studio
from tests.machines.node.rig import HandClock, Rig
from tests.machines.node.test_outages import COLUMN_S, studio_of, the_only, to_the_end

REPLAY = Rule(kind="replay")


def rig(folder: Path) -> Rig:
    """A node that knows of the exchange's passes, in the middle of its run."""
    clock = HandClock()
    node = Rig(folder, outage_studio(clock, Policy(kind="skip"), columns=200), clock, asks=True)
    node.fetch()
    node.run_columns(40)
    return node


def act(node: Rig, action: str) -> None:
    with node.journal.transaction() as db:
        operator_actions.act(db, action)  # type: ignore[arg-type]


def power_comes_back_and_the_time_later(node: Rig) -> None:
    node.crash()
    node.clock.at += 50 * COLUMN_S
    node.time_known = False
    node.start()
    node.run_until(node.clock.at + 5.0)
    node.time_known = True


def agent_starts_and_knows_the_time(node: Rig) -> None:
    node.stop()
    node.clock.at += 50 * COLUMN_S
    node.start()


def a_person_paused_and_resumes(node: Rig) -> None:
    act(node, "pause")
    node.run_columns(50)
    act(node, "resume")


@pytest.mark.parametrize(
    "comes_back",
    [power_comes_back_and_the_time_later, agent_starts_and_knows_the_time, a_person_paused_and_resumes],
)
def test_a_word_that_lies_at_the_server_is_fetched_before_the_gap_is_settled(
    tmp_path: Path, comes_back: Callable[[Rig], None]
) -> None:
    node = rig(tmp_path)
    comes_back(node)
    studio_of(node).override = Override(id="w1", rule=REPLAY, given_at=utc(node.clock.at - 10 * COLUMN_S))
    node.run_until(node.clock.at + 20.0)  # the print loop is quicker than the network
    assert not node.entries(GapSettled)
    node.fetch()
    words = to_the_end(node)
    settled = the_only(node)
    assert settled.gap.override is not None and settled.gap.override.id == "w1"
    assert set(words.values()) <= {"printed", "unknown"}


def test_a_board_that_is_alone_settles_after_half_a_minute_and_prints_on(tmp_path: Path) -> None:
    node = rig(tmp_path)
    agent_starts_and_knows_the_time(node)
    began = node.clock.at
    while not node.entries(GapSettled) and node.clock.at < began + 60.0:
        node.printer.step()
        node.clock.at += 1.0
    assert 30.0 <= (the_only(node).at - utc(began)).total_seconds() <= 32.0
    laid = len(node.paper().laid)
    node.run_columns(10)
    assert len(node.paper().laid) >= laid + 9


def test_a_pass_that_was_under_way_before_the_gap_was_seen_does_not_count(tmp_path: Path) -> None:
    node = rig(tmp_path)
    agent_starts_and_knows_the_time(node)
    assert node.asked is not None
    node.asked.begin()
    node.run_until(node.clock.at + 1.0)
    node.asked.answer()
    node.asked.end()
    node.run_until(node.clock.at + 1.0)
    assert not node.entries(GapSettled)
    assert node.asked.is_wanted


def a_pass_that_comes_to_nothing(node: Rig) -> None:
    assert node.asked is not None
    node.asked.begin()
    node.asked.end()


def test_a_network_that_comes_back_after_the_board_is_waited_for(tmp_path: Path) -> None:
    node = rig(tmp_path)
    agent_starts_and_knows_the_time(node)
    studio_of(node).override = Override(id="w1", rule=REPLAY, given_at=utc(node.clock.at - 10 * COLUMN_S))
    for _ in range(4):
        node.run_until(node.clock.at + 5.0)
        a_pass_that_comes_to_nothing(node)
    node.run_until(node.clock.at + 5.0)
    assert not node.entries(GapSettled)
    node.fetch()
    to_the_end(node)
    settled = the_only(node)
    assert settled.gap.override is not None and settled.gap.override.id == "w1"


def test_where_the_server_is_known_to_be_out_of_reach_one_try_more_is_enough(tmp_path: Path) -> None:
    node = rig(tmp_path)
    act(node, "pause")
    for _ in range(2):
        a_pass_that_comes_to_nothing(node)
        node.run_until(node.clock.at + 50 * COLUMN_S)
    act(node, "resume")
    node.run_until(node.clock.at + 1.0)
    assert node.asked is not None and node.asked.is_wanted
    assert not node.entries(GapSettled)
    a_pass_that_comes_to_nothing(node)
    node.run_until(node.clock.at + 1.0)
    assert len(node.entries(GapSettled)) == 1


@pytest.mark.parametrize(("out_for_s", "counts"), [(29.0, False), (30.0, True)])
def test_a_try_in_vain_counts_once_the_server_was_out_of_reach_for_as_long_as_a_gap_would_wait(
    out_for_s: float, counts: bool
) -> None:
    now = {"clock": 0.0}
    asked = WorkInquiry(lambda: now["clock"], lambda: now["clock"])
    asked.begin()
    asked.end()
    now["clock"] = out_for_s
    assert asked.is_awaited()
    asked.begin()
    asked.end()
    assert asked.is_awaited() is not counts


def test_what_was_out_of_reach_and_answered_again_is_waited_for_again() -> None:
    now = {"clock": 0.0}
    asked = WorkInquiry(lambda: now["clock"], lambda: now["clock"])
    for at, answers in ((0.0, False), (100.0, True), (200.0, False)):
        now["clock"] = at
        asked.begin()
        if answers:
            asked.answer()
        asked.end()
    assert asked.is_awaited()
    asked.begin()
    asked.end()
    assert asked.is_awaited()


def test_without_a_gap_nothing_waits(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.stop()
    node.start()
    node.run_columns(20)
    assert len(node.paper().laid) == 60
    assert not node.entries(GapSettled)


@pytest.mark.parametrize(("early_s", "is_about_it"), [(0.0, True), (0.000_001, False)])
def test_a_word_counts_from_the_very_instant_at_which_the_outage_began(
    tmp_path: Path, early_s: float, is_about_it: bool
) -> None:
    """Instants on the wire are whole microseconds; so is the turn's beginning here."""
    node = rig(tmp_path)
    agent_starts_and_knows_the_time(node)
    begins = node.studio.instant(node.journal.state().next_column - 1)  # when the last column was laid
    given_at = utc(begins) if is_about_it else utc(begins - early_s)
    assert (given_at.timestamp() < begins) is not is_about_it
    studio_of(node).override = Override(id="w1", rule=REPLAY, given_at=given_at)
    node.run_until(node.clock.at + 1.0)
    node.fetch()
    node.run_columns(5)
    assert (the_only(node).gap.override is not None) is is_about_it


def test_what_a_person_did_and_what_it_disarmed_are_told_at_once(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.fetch()
    assert node.asked is not None and not node.asked.is_wanted
    act(node, "pause")
    node.run_columns(1)
    assert node.asked.is_wanted
    node.fetch()
    node.run_columns(1)
    assert not node.asked.is_wanted, "once"


def test_the_clock_and_real_seconds_both_have_a_say() -> None:
    now = {"clock": 0.0, "real": 0.0}
    asked = WorkInquiry(lambda: now["clock"], lambda: now["real"])
    assert asked.is_awaited()
    now["clock"] = 36000.0  # ten hours in half a second
    now["real"] = 0.5
    assert asked.is_awaited()
    now["real"] = 1.0
    assert not asked.is_awaited()


def test_the_limits_are_as_agreed() -> None:
    assert (module.WAIT_LIMIT_S, module.WAIT_LEAST_REAL_S) == (30.0, 1.0)
