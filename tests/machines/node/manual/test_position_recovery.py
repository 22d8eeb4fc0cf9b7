"""A machine that has lost where its paper stands is told by a person, and nothing is laid twice."""

from __future__ import annotations

import contextlib
from pathlib import Path

import numpy as np
import pytest

from machines.drivers.simulated.paper import NO_COLUMN
from machines.errors import InputError
from machines.model.position import SlipState
from machines.model.profile import Profile
from machines.node.manual import job, position_recovery
from machines.node.manual.job import DONE, KNOWS
from machines.node.store.identity import Credentials
from machines.node.store.journal import change_state
from machines.node.store.slip_state import keep_track, read_track
from machines.node.work import offers, takeover
from machines.node.work.offers import Fetched
from machines.protocol.journal_entries import GapSettled, OperatorActed
from tests.machines.node.account import assert_accounted
from tests.machines.node.manual.test_job import act, ask, outcome
from tests.machines.node.relay import carriage_profile
from tests.machines.node.rig import Crash, HandClock, Rig, make_studio

KNIFE = 40  # columns from the line machine's head to its knife
MM = 2  # columns in one of its millimetres


def rig(home: Path, profile: Profile | None = None, columns: int = 5) -> Rig:
    clock = HandClock()
    node = Rig(home, make_studio(clock, profile=profile), clock, resume_unattended=False)
    node.fetch()
    node.run_columns(columns)
    return node


@pytest.fixture
def node(tmp_path: Path) -> Rig:
    return rig(tmp_path)


def lose(node: Rig) -> None:
    """The controller starts again with its memory erased; it says so, and cannot lay."""
    node.memory.erased, node.memory.end = True, None


def lost_and_paused(node: Rig) -> None:
    lose(node)
    node.run_columns(2)
    act(node, "pause")


def place(node: Rig, fed_mm: float = 0.0) -> int:
    profile = node.studio.profile
    with node.journal.reading() as db:
        return position_recovery.place_under_head(db, profile, fed_mm)


def told(node: Rig) -> list[tuple[int | None, int, bool]]:
    acted = [one for one in node.entries(OperatorActed) if one.action == "place-set"]
    return [(one.paper_position, one.paper_columns, one.seen_done) for one in acted]


def set_place(node: Rig, fed_mm: float = 0.0) -> str:
    id = ask(node, "place-set", length_mm=fed_mm)
    node.run_columns(1)
    return outcome(node, id)


def go_on(node: Rig) -> None:
    act(node, "resume")
    node.run_columns(4)


# The place.


def test_the_last_column_is_under_the_nozzle_of_a_line_head_and_nothing_is_laid_there_again(node: Rig) -> None:
    end = node.journal.state().paper_position
    assert place(node) == end - 1


def test_a_carriage_head_has_run_on_until_its_last_nozzle_laid_the_last_column(tmp_path: Path) -> None:
    node = rig(tmp_path, carriage_profile(), 40)
    end = node.journal.state().paper_position
    assert end > 0
    assert place(node) == end - 1 + 11, "twelve nozzles"


def test_after_a_cut_what_comes_next_is_under_the_first_nozzle(tmp_path: Path) -> None:
    node = rig(tmp_path, columns=55)
    end = node.journal.state().paper_position
    with node.journal.transaction() as db:
        change_state(db, cut_place=end - KNIFE)
    assert place(node) == end


def test_of_a_machine_that_never_printed_it_is_not_the_first(tmp_path: Path) -> None:
    """A board that takes over a machine reads from place 0 that nothing was printed."""
    node = rig(tmp_path, columns=0)
    assert node.journal.state().paper_position == 0
    assert place(node) == 1


def test_what_was_fed_by_hand_counts(node: Rig) -> None:
    assert place(node, 10.0) == place(node) + 10 * MM
    assert place(node, 0.2) == place(node), "less than half a column"


@pytest.mark.parametrize("taking_over", [0, 1])
def test_what_the_server_knew_at_enrolment_counts_until_the_journal_knows_more(node: Rig, taking_over: int) -> None:
    """Also of a board that has taken the run over and laid nothing yet."""
    end = node.journal.state().paper_position
    for known in (end + 100, end - 2):
        with node.journal.transaction() as db:
            takeover.enrol(db, Credentials(server="http://h", token="t", machine="m", epoch=2, paper_position=known))
            change_state(db, taking_over=taking_over)
        assert place(node) == max(end, known) - 1


@pytest.mark.parametrize("fed_mm", [-0.1, 5000.1, float("nan"), float("inf")])
def test_lengths_that_are_none_are_refused(node: Rig, fed_mm: float) -> None:
    lost_and_paused(node)
    with pytest.raises(InputError, match="give 0 to 5000 mm"):
        ask(node, "place-set", length_mm=fed_mm)
    assert node.journal.state().handwork == 0


# Telling it.


@pytest.mark.parametrize(("fed_mm", "fed"), [(0.0, 0), (30.0, 30 * MM)])
def test_stopped_then_told_then_it_prints_behind_that_place(node: Rig, fed_mm: float, fed: int) -> None:
    end = node.journal.state().paper_position
    lost_and_paused(node)
    laid = len(node.paper().laid)
    assert set_place(node, fed_mm) == DONE
    assert node.memory.told == [end - 1 + fed]
    assert len(node.paper().laid) == laid, "nothing moved"
    assert told(node) == [(end, fed, True)]
    go_on(node)
    lies = node.paper().laid
    assert int(lies["place"][laid]) == end + fed
    assert not node.paper().refused.size
    assert len(set(lies["column"].tolist())) == len(lies)
    assert_accounted(node)


def test_only_while_it_is_paused(node: Rig) -> None:
    lose(node)
    node.run_columns(1)
    with pytest.raises(InputError, match="pause it first"):
        ask(node, "place-set", length_mm=0.0)


def test_a_machine_that_knows_its_place_is_told_nothing(node: Rig) -> None:
    act(node, "pause")
    node.run_columns(1)
    before = node.journal.state().paper_position
    id = ask(node, "place-set", length_mm=100.0)
    node.run_columns(1)
    assert outcome(node, id) == KNOWS
    assert node.memory.told == []
    assert node.journal.state().paper_position == before
    assert told(node) == [], "nothing was done"
    with pytest.raises(InputError, match="knows its place"):
        job.wait(node.journal, id)


def test_columns_that_nobody_saw_keep_their_places_before_it(node: Rig) -> None:
    """The power goes in a burst, for the board and for the controller's memory."""
    node.fuse.left = 1  # after the order's commit, before the machine moved
    with pytest.raises(Crash):
        node.run_columns(3)
    node.fuse.left = None
    node.crash()
    node.start()
    node.run_columns(1)
    lost_and_paused(node)
    assert set_place(node) == DONE
    assert told(node) == [(6, 0, True)]
    go_on(node)
    (settled,) = node.entries(GapSettled)
    assert (settled.gap.first, settled.gap.unknown_end, settled.paper_position) == (5, 6, 5)
    lies = node.paper().laid
    assert int(lies["place"][lies["column"] > 5][0]) == 6
    assert 5 not in lies["column"]


def test_the_encoder_takes_its_zero_anew(node: Rig) -> None:
    with node.journal.transaction() as db:
        keep_track(db, SlipState(zero_mm=3.0, said_mm=1.0))
    lost_and_paused(node)
    assert set_place(node) == DONE
    with node.journal.reading() as db:
        assert read_track(db).zero_mm is None


@pytest.mark.parametrize("power_goes_at", range(8))
def test_wherever_the_power_goes_nothing_is_printed_over(tmp_path: Path, power_goes_at: int) -> None:
    node = rig(tmp_path)
    lost_and_paused(node)
    ask(node, "place-set", length_mm=5.0)
    node.fuse.left = power_goes_at
    with contextlib.suppress(Crash):
        node.run_columns(1)
    node.fuse.left = None
    node.crash()
    node.start()
    node.run_columns(1)
    if node.memory.lost:
        assert set_place(node, 5.0) == DONE
    go_on(node)
    assert len(told(node)) >= 1
    lies = node.paper().laid
    assert not node.paper().refused.size
    assert len(set(lies["place"].tolist())) == len(set(lies["column"].tolist())) == len(lies)
    assert int(lies["place"][-1]) > 5 + 5 * MM
    assert (np.asarray(lies["column"]) != NO_COLUMN).all()


def test_a_board_that_takes_over_still_counts_all_that_was_due_as_perhaps_printed(tmp_path: Path) -> None:
    """Neither board nor controller remembers: that the person told a place does not mean that nothing was printed."""
    clock = HandClock()
    studio = make_studio(clock)
    clock.at += 3600.0
    node = Rig(tmp_path, studio, clock, resume_unattended=False, remembers_columns=False)
    node.fetch()
    with node.journal.transaction() as db:
        told_by_server = Credentials(server="http://host", token="t", machine="m", epoch=2, paper_position=480)
        takeover.enrol(db, told_by_server)
        offers.hold(db, Fetched(studio.work(), "tag"))
    lost_and_paused(node)
    assert place(node) == 479, "the end of what the board before it had told, under the line's only nozzle"
    assert set_place(node) == DONE
    go_on(node)
    (settled,) = node.entries(GapSettled)
    assert settled.gap.unknown_end >= 29, "of an hour, a column each two minutes"
    (used,) = told(node)
    assert used[:2] == (480, 0), "no paper was used by hand"
