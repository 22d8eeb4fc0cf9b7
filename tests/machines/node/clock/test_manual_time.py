"""A person sets the time where nobody else knows it; the server's next word ends that, and says how true it was."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.errors import InputError
from machines.node.clock import kept_time, manual_time
from machines.node.clock.drift import Crystal
from machines.node.clock.samples import DRIFT, Sample
from machines.node.clock.server_time import Estimate, HandTime, ServerTime
from machines.node.sync.timekeeper import Timekeeper
from machines.protocol.journal_entries import OperatorActed, SetTimeCompared
from tests.machines.node.rig import NOON, HandClock, Rig, make_studio


class Telling:
    """In place of the client: an answer about the time, at once."""

    def __init__(self, clock: HandClock) -> None:
        self._clock = clock

    def clock(self) -> tuple[float, float]:
        return self._clock.at, self._clock.at


def offline(home: Path) -> tuple[Rig, Timekeeper]:
    """A node that holds work, in a boot in which nobody told it the time."""
    clock = HandClock()
    node = Rig(home, make_studio(clock), clock)
    node.fetch()
    keeper = Timekeeper(clock, node.journal, "boot")
    node._server_time = keeper.estimate  # type: ignore[method-assign]
    node.start()
    node.run_columns(5)
    return node, keeper


def say(node: Rig, instant: float, error_s: float = 30.0, boot: str = "boot") -> None:
    with node.journal.transaction() as db:
        manual_time.say(db, boot, node.clock.elapsed(), instant, error_s)


def laid(node: Rig) -> list[int]:
    folder = node.home / "paper"
    return node.paper().laid["column"].tolist() if (folder / "paper.ledger").exists() else []


def test_without_the_time_nothing_is_printed_and_with_a_persons_it_is(tmp_path: Path) -> None:
    """A column is two minutes, and the profile wants the time to half of one."""
    node, keeper = offline(tmp_path)
    assert laid(node) == []
    say(node, node.clock.at + 10.0)
    keeper.take_up_word()
    estimate = keeper.estimate()
    assert estimate == Estimate(now=node.clock.at + 10.0, error_s=30.0, by_hand=True)
    node.run_columns(10)
    assert laid(node) == list(range(5, 15))
    acted = [(entry.action, entry.error_s) for entry in node.entries(OperatorActed)]
    assert acted == [("set-time", 30.0)]


def test_a_time_that_is_not_sure_enough_for_this_machine_prints_nothing(tmp_path: Path) -> None:
    node, keeper = offline(tmp_path)
    say(node, node.clock.at, error_s=61.0)
    keeper.take_up_word()
    node.run_columns(10)
    assert laid(node) == []


def test_a_persons_word_grows_less_sure_as_the_crystal_may_drift() -> None:
    word = HandTime(offset_s=NOON, error_s=20.0, set_at_s=100.0)
    known = ServerTime().set_by(word)
    estimate = known.estimate(100.0 + 86400.0)
    assert estimate is not None
    assert estimate.error_s == pytest.approx(20.0 + 86400.0 * DRIFT)
    assert estimate.now == NOON + 86500.0


@pytest.mark.parametrize("ahead_s", [25.0, -25.0, 3600.0])
def test_the_servers_word_wins_and_says_how_true_a_persons_was(tmp_path: Path, ahead_s: float) -> None:
    node, keeper = offline(tmp_path)
    say(node, node.clock.at + ahead_s)
    keeper.take_up_word()
    node.run_columns(10)
    printed = laid(node)
    keeper.ask(Telling(node.clock))  # type: ignore[arg-type]
    estimate = keeper.estimate()
    assert estimate is not None
    assert not estimate.by_hand
    assert estimate.now == pytest.approx(node.clock.at, abs=0.01)
    (compared,) = node.entries(SetTimeCompared)
    assert compared.ahead_s == pytest.approx(ahead_s, abs=0.01)
    assert compared.error_s == 30.0
    node.run_columns(60)
    columns = laid(node)
    assert columns[: len(printed)] == printed
    assert len(set(columns)) == len(columns), "nothing is printed twice, also where the time goes back"
    assert not node.paper().refused.size
    assert columns[-1] in (node.studio.column_at(node.clock.at), node.studio.column_at(node.clock.at) - 1)
    keeper.ask(Telling(node.clock))  # type: ignore[arg-type]
    assert len(node.entries(SetTimeCompared)) == 1, "it is said once"


def test_where_the_server_was_heard_a_persons_word_counts_for_nothing(tmp_path: Path) -> None:
    node, keeper = offline(tmp_path)
    keeper.ask(Telling(node.clock))  # type: ignore[arg-type]
    assert "the server has told the time" in manual_time.why_not(keeper.estimate())
    say(node, NOON - 1e6)
    keeper.take_up_word()
    estimate = keeper.estimate()
    assert estimate is not None
    assert estimate.now == pytest.approx(node.clock.at, abs=0.01)


def test_while_the_server_is_in_doubt_a_persons_word_counts_until_its_next(tmp_path: Path) -> None:
    node, keeper = offline(tmp_path)
    keeper.ask(Telling(node.clock))  # type: ignore[arg-type]
    keeper.server_time = keeper.server_time.after(Sample(offset_s=900.0, delay_s=0.0, taken_at_s=node.clock.elapsed()))
    assert keeper.estimate() is not None and keeper.estimate().doubted  # type: ignore[union-attr]
    assert manual_time.why_not(keeper.estimate()) == ""
    say(node, node.clock.at)
    keeper.take_up_word()
    assert keeper.estimate().by_hand  # type: ignore[union-attr]
    keeper.ask(Telling(node.clock))  # type: ignore[arg-type]
    assert keeper.estimate().doubted, "as before: which of the two is right is not sure yet"  # type: ignore[union-attr]


def test_a_person_may_correct_what_a_person_said(tmp_path: Path) -> None:
    node, keeper = offline(tmp_path)
    for instant in (node.clock.at + 500.0, node.clock.at):
        assert manual_time.why_not(keeper.estimate()) == ""
        say(node, instant)
        keeper.take_up_word()
    estimate = keeper.estimate()
    assert estimate is not None
    assert estimate.now == node.clock.at


def test_it_is_taken_up_exactly_however_late_and_by_an_agent_that_starts_again(tmp_path: Path) -> None:
    node, _ = offline(tmp_path)
    say(node, node.clock.at + 3.0)
    node.clock.at += 77.0
    again = Timekeeper(node.clock, node.journal, "boot")
    estimate = again.estimate()
    assert estimate is not None
    assert estimate.now == node.clock.at + 3.0
    once_more = Timekeeper(node.clock, node.journal, "boot").estimate()
    assert once_more == estimate, "it is kept"
    assert not node.journal.state().time_said


def test_in_another_boot_it_means_nothing(tmp_path: Path) -> None:
    node, _ = offline(tmp_path)
    say(node, node.clock.at, boot="an earlier boot")
    assert Timekeeper(node.clock, node.journal, "boot").estimate() is None
    say(node, node.clock.at)
    Timekeeper(node.clock, node.journal, "boot")
    assert Timekeeper(node.clock, node.journal, "a later boot").estimate() is None


@pytest.mark.parametrize("error_s", [0.0, 0.9, 3601.0, float("nan"), float("inf"), -5.0])
def test_bounds_that_are_none_are_refused(tmp_path: Path, error_s: float) -> None:
    node, _ = offline(tmp_path)
    with pytest.raises(InputError, match="give 1 to 3600 s"):
        say(node, NOON, error_s=error_s)
    assert not node.journal.state().time_said


def test_what_is_kept_can_be_read_again(tmp_path: Path) -> None:
    node, _ = offline(tmp_path)
    time = ServerTime().set_by(HandTime(offset_s=NOON, error_s=5.0, set_at_s=1.5))
    with node.journal.transaction() as db:
        kept_time.keep_time(db, "boot", time)
        assert kept_time.kept_time(db, "boot") == time


# Civil times. The instants are those of the IANA time zone database, by way of GNU date (``date -u -d``).


@pytest.mark.parametrize(
    ("local", "zone", "posix"),
    [
        ("2026-11-02T14:03:00", "UTC", 1793628180),
        ("2026-11-02T14:03:00", "Europe/Lisbon", 1793628180),
        ("2026-07-02T14:03", "Europe/Lisbon", 1782997380),
        ("2026-11-02T14:03:00", "America/St_Johns", 1793640780),
        ("2026-11-02T14:03:00", "Pacific/Chatham", 1793578680),
    ],
)
def test_civil_times_are_read(local: str, zone: str, posix: int) -> None:
    assert manual_time.instant_of(local, zone) == posix


@pytest.mark.parametrize(
    ("local", "zone", "problem"),
    [
        ("2026-10-25T01:30:00", "Europe/Lisbon", "comes twice"),
        ("2026-03-29T01:30:00", "Europe/Lisbon", "does not come"),
        ("2026-11-02T14:03:00Z", "UTC", "has an offset of its own"),
        ("half past two", "UTC", "is no date and time"),
        ("2026-11-31T14:03:00", "UTC", "is no date and time"),
        ("2026-11-02T14:03:00", "Europe/Atlantis", "is no zone"),
        ("2026-11-02T14:03:00", "../../etc/passwd", "is no zone|is no date and time"),
        ("2026-11-02T14:03:00", "", "is no zone|is no date and time"),
    ],
)
def test_times_that_are_none_are_refused(local: str, zone: str, problem: str) -> None:
    with pytest.raises(InputError, match=problem) as refused:
        manual_time.instant_of(local, zone)
    assert refused.value.remedy


@given(st.floats(-1e5, 1e5), st.floats(1.0, 3600.0), st.floats(0.0, 1e6))
def test_the_bound_holds_for_every_board_within_its_drift(off_s: float, error_s: float, later_s: float) -> None:
    """Whoever is wrong by no more than was said stays within the bound, whatever the crystal does."""
    off_s = max(-error_s, min(error_s, off_s))
    word = HandTime(offset_s=NOON + off_s, error_s=error_s, set_at_s=0.0)
    for drift in (-DRIFT, 0.0, DRIFT):
        estimate = word.estimate(later_s, Crystal().rate)
        true = NOON + later_s * (1.0 + drift)
        assert abs(estimate.now - true) <= estimate.error_s + 1e-6
