"""The crystal's rate outlives the boot in which it was learned."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from machines.node.clock import known_rate
from machines.node.clock.drift import Crystal
from machines.node.store.journal import Journal, open_journal
from machines.node.sync.timekeeper import Timekeeper
from tests.machines.node.clock.test_drift import Board
from tests.machines.node.rig import HandClock

HOUR_S = 3600.0
WEEK_S = 7 * 24 * HOUR_S


class Wifi:
    """The server's time over a way there and back of 40 to 80 ms, by a board whose crystal is wrong."""

    def __init__(self, clock: HandClock, board: Board) -> None:
        self._clock, self._board, self._dice = clock, board, random.Random(5)

    def clock(self) -> tuple[float, float]:
        self._clock.at += self._dice.uniform(0.02, 0.04)
        told = self._board.server(self._clock.elapsed())
        self._clock.at += self._dice.uniform(0.02, 0.04)
        return told, told


@pytest.fixture
def journal(tmp_path: Path) -> Journal:
    return open_journal(tmp_path, create=True)


def in_contact(journal: Journal, board: Board, hours: float, boot: str, counter: str = "count of board") -> float:
    """One boot with so many hours of contact.

    Returns:
        the bound on the error after a week alone, within which the true time is, seconds.
    """
    clock = HandClock()
    keeper = Timekeeper(clock, journal, boot, counter=counter)
    wifi = Wifi(clock, board)
    while clock.elapsed() <= hours * HOUR_S:
        keeper.ask(wifi)  # type: ignore[arg-type]
        clock.at += 60.0
    clock.at += WEEK_S
    estimate = keeper.estimate()
    assert estimate is not None
    assert abs(estimate.now - board.server(clock.elapsed())) <= estimate.error_s
    return estimate.error_s


@pytest.mark.parametrize("steady", [-240e-6, 40e-6])
def test_a_board_that_once_learned_its_rate_is_sure_for_a_week_after_minutes(journal: Journal, steady: float) -> None:
    """Half a column of 15 s is 7.5 s."""
    board = Board(steady, 1.5e-6)
    assert in_contact(journal, board, 0.1, "a first boot") > 100.0
    assert in_contact(journal, board, 12.0, "a long boot") < 3.5
    for boot in ("a short boot", "another one", "a third"):
        assert in_contact(journal, Board(steady + 4e-6, 1.5e-6, 2.0), 0.1, boot) < 7.5


def test_a_new_board_must_hear_the_server_for_hours_to_be_sure_for_a_week(tmp_path: Path) -> None:
    """Half a column of 15 s is 7.5 s: three hours in contact teach it, one does not."""
    for hours, enough in ((0.1, False), (1.0, False), (3.0, True), (6.0, True)):
        journal = open_journal(tmp_path / str(hours), create=True)
        assert (in_contact(journal, Board(40e-6, 1.5e-6), hours, "boot") < 7.5) is enough


@pytest.mark.parametrize("counter", ["count of another board", ""])
def test_what_was_learned_says_nothing_of_another_count(journal: Journal, counter: str) -> None:
    in_contact(journal, Board(40e-6), 6.0, "boot")
    assert in_contact(journal, Board(-90e-6), 0.1, "later", counter) > 100.0


def test_of_a_count_without_a_name_nothing_is_kept(journal: Journal) -> None:
    in_contact(journal, Board(40e-6), 6.0, "boot", counter="")
    with journal.reading() as db:
        assert known_rate.known(db, "") is None
        assert known_rate.known(db, "count of board") is None


def test_short_boots_do_not_wear_away_what_a_long_one_learned(journal: Journal) -> None:
    narrow = Crystal(tuple(Board(20e-6).ask(hour * HOUR_S, 0.01, 0.01) for hour in range(20)))
    with journal.transaction() as db:
        known_rate.keep(db, "count", narrow)
        before = known_rate.known(db, "count")
        assert before is not None
        assert before.error == pytest.approx(narrow.rate.error + 5e-6)
        short = Crystal(tuple(Board(20e-6).ask(hour * HOUR_S, 0.01, 0.01) for hour in range(3)), known=before)
        known_rate.keep(db, "count", short)
        assert known_rate.known(db, "count") == before


def test_a_rate_that_turned_out_wrong_gives_way(journal: Journal) -> None:
    with journal.transaction() as db:
        known_rate.keep(db, "count", Crystal(tuple(Board(20e-6).ask(h * HOUR_S, 0.01, 0.01) for h in range(20))))
        crystal = Crystal(known=known_rate.known(db, "count"))
        for hour in range(4):
            crystal = crystal.after(Board(90e-6).ask(hour * HOUR_S, 0.01, 0.01))
        assert crystal.known is None
        known_rate.keep(db, "count", crystal)
        found = known_rate.known(db, "count")
    assert found is not None
    assert found.lowest <= 90e-6 <= found.highest
