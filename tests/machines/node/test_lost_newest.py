"""A journal that lost what it wrote last, as on a card that says to have kept what it has not: what the machine beside
it remembers to have laid since is named as unknown, and never laid again."""

from __future__ import annotations

import shutil
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st

from machines.drivers import MachineStopped
from machines.drivers.simulated.paper import NO_COLUMN
from machines.node.manual.job import DONE
from machines.node.store.journal import FILE_NAME, change_state
from machines.operator import holds
from machines.protocol.journal_entries import ConditionsChanged, GapSettled
from machines.recovery import Policy
from tests.machines.node.account import check_marks
from tests.machines.node.manual.test_job import act, ask, outcome
from tests.machines.node.relay import carriage_profile, line_profile
from tests.machines.node.rig import FusedMachine, HandClock, Rig, make_studio
from tests.machines.node.work.test_bursts import COLUMN_S
from tests.machines.node.work.test_takeover import columns_of


def rig(home: Path, *, carriage: bool = False, policy: str = "skip", **changes: Any) -> Rig:
    clock = HandClock()
    profile = carriage_profile() if carriage else line_profile()
    node = Rig(home, make_studio(clock, profile=profile, policy=policy), clock, **changes)
    node.fetch()
    return node


def put_by(node: Rig) -> None:
    """The journal as it is now, without power; and power again."""
    node.crash()
    shutil.copy(node.home / FILE_NAME, node.home / "put-by")
    node.start()


def lose_newest(node: Rig) -> list[int]:
    """The power goes, and the journal is what it was when it was put by; all columns that lie on the paper."""
    node.crash()
    shutil.copy(node.home / "put-by", node.home / FILE_NAME)
    node.start()
    return on_paper(node)


def on_paper(node: Rig) -> list[int]:
    """Columns of the picture, in the order in which they were laid."""
    if not (node.home / "paper" / "paper.ledger").exists():
        return []
    laid = node.paper().laid["column"]
    return [int(column) for column in laid[laid != NO_COLUMN]]


def assert_never_twice(node: Rig, laid: list[int], known: int) -> set[int]:
    """Each column that was laid is printed or named; which of them are unknown."""
    unknown = set(columns_of(node.entries(), "unknown"))
    assert unknown >= set(laid[known:])
    assert set(check_marks(node.paper(), node.studio, unknown)) > set(laid), "and it goes on"
    return unknown


@settings(max_examples=10, deadline=None, phases=[Phase.explicit, Phase.reuse, Phase.generate])
@given(
    known=st.integers(1, 30),
    lost=st.integers(1, 30),
    away=st.integers(0, 40),
    carriage=st.booleans(),
    policy=st.sampled_from(["skip", "replay", "blank", "shift"]),
    remembers=st.booleans(),
)
@example(known=5, lost=7, away=0, carriage=False, policy="skip", remembers=True)
@example(known=5, lost=7, away=20, carriage=False, policy="replay", remembers=False)
@example(known=17, lost=20, away=9, carriage=True, policy="replay", remembers=True)
@example(known=5, lost=7, away=3, carriage=True, policy="shift", remembers=False)
@example(known=16, lost=22, away=39, carriage=True, policy="replay", remembers=True)
def test_what_was_laid_since_is_named_and_never_laid_again(
    known: int, lost: int, away: int, carriage: bool, policy: str, remembers: bool
) -> None:
    with TemporaryDirectory() as folder:
        node = rig(Path(folder), carriage=carriage, policy=policy, remembers_columns=remembers)
        node.run_columns(known)
        put_by(node)
        told = len(on_paper(node))
        node.run_columns(lost)
        laid = lose_newest(node)
        node.clock.at += away * COLUMN_S
        node.run_columns(80)
        if len(laid) > told:
            unknown = assert_never_twice(node, laid, told)
            assert not remembers or max(unknown) <= laid[-1] + 1, "the machine knows better than the clock"


def test_without_a_loss_nothing_is_named(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.run_columns(5)
    node.stop()
    node.start()
    node.run_columns(5)
    assert columns_of(node.entries(), "unknown") == []


def test_it_is_still_the_outage_that_the_power_made(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.run_columns(5)
    put_by(node)
    node.run_columns(7)
    lose_newest(node)
    node.clock.at += 10 * COLUMN_S
    node.run_columns(2)
    (gap,) = [entry.gap for entry in node.entries(GapSettled) if entry.gap.unknown_end > entry.gap.first]
    assert (gap.cause, gap.first, gap.unknown_end) == ("power", 5, 12)


def test_a_rule_to_print_once_more_does_so_from_what_the_journal_knows_and_no_column_a_third_time(
    tmp_path: Path,
) -> None:
    """Whatever the journal has lost of it, nothing that was due may be thought blank then."""
    node = rig(tmp_path)
    node.studio.policy = Policy(kind="skip", half_printed="again")
    node.fetch()
    node.run_columns(5)
    put_by(node)
    node.run_columns(7)
    laid = lose_newest(node)
    node.run_columns(20)
    again = columns_of(node.entries(), "again")
    on = on_paper(node)
    assert max(on.count(column) - again.count(column) for column in on) == 1
    assert set(columns_of(node.entries(), "unknown")) >= set(laid[5:])


def test_paper_that_was_fed_by_hand_before_anybody_resumed_hides_nothing(tmp_path: Path) -> None:
    node = rig(tmp_path, resume_unattended=False)
    node.run_columns(5)
    node.stop()
    shutil.copy(node.home / FILE_NAME, node.home / "put-by")
    node.start()
    node.run_columns(7)
    laid = lose_newest(node)
    act(node, "pause")
    fed = ask(node, "feed", length_mm=20.0)
    node.run_columns(1)
    assert outcome(node, fed) == DONE
    act(node, "resume")
    node.run_columns(20)
    assert_never_twice(node, laid, 5)
    lies = node.paper().laid
    pictured = lies["place"][lies["column"] != NO_COLUMN].tolist()
    assert pictured == [*range(12), *range(12 + 40, 12 + 40 + len(pictured) - 12)], "nothing is left out beside it"


def test_a_whole_run_that_the_journal_lost_is_not_laid_again(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.crash()
    shutil.copy(node.home / FILE_NAME, node.home / "put-by")
    node.start()
    node.run_columns(12)
    laid = lose_newest(node)
    node.run_columns(20)
    assert_never_twice(node, laid, 0)


@pytest.mark.parametrize("in_order", [True, False])
def test_an_attended_machine_stands_until_a_person_has_looked_and_resumes_once(tmp_path: Path, in_order: bool) -> None:
    """Also where the journal tells of a stop in order, which was another one before; nor is its knife armed then."""
    node = rig(tmp_path, resume_unattended=False)
    node.run_columns(5)
    with node.journal.transaction() as db:
        change_state(db, arming_asked=1)
    node.run_columns(1)
    assert node.journal.state().knife_armed
    if in_order:
        node.stop()
    else:
        node.crash()
    shutil.copy(node.home / FILE_NAME, node.home / "put-by")
    node.start()
    if not in_order:
        act(node, "resume")
    node.run_columns(7)
    laid = lose_newest(node)
    node.run_columns(3)
    assert on_paper(node) == laid
    assert (node.journal.state().hold, node.journal.state().knife_armed) == (holds.UNPLANNED, False)
    act(node, "resume")
    node.run_columns(20)
    assert_never_twice(node, laid, 6)


def test_where_only_paper_was_fed_since_no_column_is_named(tmp_path: Path) -> None:
    node = rig(tmp_path, resume_unattended=False)
    node.run_columns(5)
    node.stop()
    shutil.copy(node.home / FILE_NAME, node.home / "put-by")
    node.start()
    act(node, "pause")
    ask(node, "feed", length_mm=20.0)
    node.run_columns(1)
    lose_newest(node)
    node.run_columns(1)
    act(node, "resume")
    node.run_columns(20)
    assert columns_of(node.entries(), "unknown") == []
    assert len(set(node.paper().laid["place"].tolist())) == len(node.paper().laid)


def test_until_the_machine_answers_what_it_remembers_nothing_is_laid(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    node = rig(tmp_path)
    node.run_columns(5)
    put_by(node)
    node.run_columns(7)
    laid = lose_newest(node)

    def silent(machine: FusedMachine) -> int | None:
        raise MachineStopped("other-error")

    with monkeypatch.context() as patched:
        patched.setattr(FusedMachine, "paper_end", silent)
        node.run_columns(4)
    assert on_paper(node) == laid
    assert node.entries(ConditionsChanged)[-1].keywords == ("other-error",)
    node.run_columns(20)
    assert_never_twice(node, laid, 5)
