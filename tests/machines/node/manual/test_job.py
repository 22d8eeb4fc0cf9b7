"""What a person has a paused machine do: it takes fresh paper, is done once, and the picture goes on behind it."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from machines.drivers.simulated.paper import NO_COLUMN
from machines.errors import InputError
from machines.imaging.patterns import cut_squareness, element_check, feed_ruler, knife_scale
from machines.model.profile import Profile
from machines.node.manual import job, prints
from machines.node.manual.job import DONE, VOID, HandAction
from machines.node.store import operator_actions
from machines.node.store.journal import change_state
from machines.node.work import offers
from machines.node.work.offers import Fetched
from machines.protocol.journal_entries import Action, GapSettled, OperatorActed, StripCut, TestPattern
from tests.machines.node.account import assert_accounted
from tests.machines.node.relay import carriage_profile, line_profile
from tests.machines.node.rig import Crash, HandClock, Rig, make_studio

MM = 2  # columns of the line machine in a millimetre
KNIFE = 40  # columns from its head to its knife


def rig(home: Path, columns: int = 5, **of_studio: Any) -> Rig:
    clock = HandClock()
    node = Rig(home, make_studio(clock, **of_studio), clock, resume_unattended=False)
    node.fetch()
    node.run_columns(columns)
    return node


@pytest.fixture
def node(tmp_path: Path) -> Rig:
    return rig(tmp_path)


def act(node: Rig, action: Action) -> None:
    with node.journal.transaction() as db:
        operator_actions.act(db, action)


def ask(node: Rig, action: HandAction, **what: Any) -> int:
    with node.journal.transaction() as db:
        return job.ask(db, action, **what)


def outcome(node: Rig, id: int) -> str:
    with node.journal.reading() as db:
        return job.read(db, id).ended


def arm(node: Rig) -> None:
    with node.journal.transaction() as db:
        change_state(db, arming_asked=1)
    node.run_columns(1)
    assert node.journal.state().knife_armed


def paused(node: Rig, *, armed: bool = False) -> None:
    act(node, "pause")
    node.run_columns(1)
    if armed:
        arm(node)


def did(node: Rig) -> list[tuple[str, int | None, int, bool]]:
    """What was reported of it."""
    used = [entry for entry in node.entries(OperatorActed) if entry.paper_position is not None]
    return [(entry.action, entry.paper_position, entry.paper_columns, entry.seen_done) for entry in used]


def of_no_picture(node: Rig) -> list[int]:
    laid = node.paper().laid
    return [int(place) for place in laid["place"][laid["column"] == NO_COLUMN]]


# Feeding.


def test_paper_is_fed_and_the_picture_goes_on_behind_it(node: Rig) -> None:
    paused(node)
    id = ask(node, "feed", length_mm=20.0)
    node.run_columns(1)
    assert outcome(node, id) == DONE
    assert node.journal.state().paper_position == 5 + 20 * MM
    assert of_no_picture(node) == list(range(5, 45))
    assert not node.paper().dots[:, 5:45].any(), "blank"
    act(node, "resume")
    node.run_columns(3)
    laid = node.paper().laid
    assert laid["place"][-1] - laid["place"][-2] == 1
    assert int(laid["place"][laid["column"] != NO_COLUMN][5]) == 45
    assert did(node) == [("feed", 5, 40, True)]
    assert not node.paper().refused.size


def test_a_long_feed_goes_part_by_part_and_a_stop_ends_it(tmp_path: Path) -> None:
    node = rig(tmp_path)
    paused(node)
    id = ask(node, "feed", length_mm=450.0)
    node.printer.step()  # begun
    node.printer.step()  # to where the end of a strip stands under the knife
    assert node.journal.state().paper_position == KNIFE
    node.printer.step()  # left uncut
    node.printer.step()
    assert node.journal.state().paper_position == KNIFE + prints.LARGEST_PART
    act(node, "stop")
    node.run_columns(2)
    assert outcome(node, id) == "a person ended the pause"
    assert did(node) == [("feed", 5, KNIFE + prints.LARGEST_PART - 5, False)]
    assert node.journal.state().paper_position == KNIFE + prints.LARGEST_PART


@pytest.mark.parametrize("hold", ["", "park", "stop"])
def test_only_while_it_is_paused(node: Rig, hold: str) -> None:
    if hold:
        act(node, hold)  # type: ignore[arg-type]
    for action in ("feed", "cut", "test-pattern"):
        with pytest.raises(InputError, match="pause it first"):
            ask(node, action, pattern="nozzles")


@pytest.mark.parametrize("length_mm", [0.0, 0.5, 501.0, -1.0, float("nan"), float("inf")])
def test_lengths_that_are_none_are_refused(node: Rig, length_mm: float) -> None:
    paused(node)
    with pytest.raises(InputError, match="give 1 to 500 mm"):
        ask(node, "feed", length_mm=length_mm)


def test_one_thing_at_a_time(node: Rig) -> None:
    paused(node)
    ask(node, "feed")
    with pytest.raises(InputError, match="something else is under way"):
        ask(node, "feed")


def test_what_the_agent_did_not_take_up_is_void(node: Rig) -> None:
    paused(node)
    id = ask(node, "feed")
    act(node, "resume")
    node.run_columns(2)
    assert outcome(node, id) == VOID
    assert did(node) == [], "nothing moved"
    assert of_no_picture(node) == []


def test_without_the_time_it_is_done_and_reported_later(node: Rig) -> None:
    paused(node)
    node.time_known = False
    id = ask(node, "feed", length_mm=5.0)
    node.run_columns(1)
    assert outcome(node, id) == DONE
    assert did(node) == []
    node.time_known = True
    node.run_columns(1)
    assert did(node) == [("feed", 5, 10, True)]


def test_before_any_run_a_machine_can_be_tried(tmp_path: Path) -> None:
    """The server says what the machine is before it has a run."""
    clock = HandClock()
    node = Rig(tmp_path, make_studio(clock), clock, resume_unattended=False)
    act(node, "pause")
    with pytest.raises(InputError, match="does not know its machine"):
        ask(node, "feed")
    run, node.studio.run = node.studio.run, None
    node.fetch()
    node.run_columns(1)
    arm(node)
    id = ask(node, "test-pattern", pattern="feed-ruler")
    node.run_columns(1)
    assert outcome(node, id) == DONE
    node.studio.run = run
    node.fetch()
    act(node, "resume")
    node.run_columns(10)
    laid = node.paper().laid
    assert int(laid["place"][laid["column"] != NO_COLUMN][0]) == 401
    assert not node.paper().refused.size


def test_a_machine_that_stops_in_it_is_said_to_have_stopped(node: Rig) -> None:
    paused(node, armed=True)
    assert node.machine is not None
    id = ask(node, "feed", length_mm=10.0)
    node.machine.stop_with = ("media-jam-error",)
    node.run_columns(1)
    assert outcome(node, id) == "the machine stopped (media-jam-error)"
    assert did(node) == [("feed", 5, 20, False)]
    assert not node.journal.state().knife_armed
    node.machine.keywords = ()
    act(node, "resume")
    node.run_columns(4)
    laid = node.paper().laid
    assert int(laid["place"][5]) == 25, "the paper of what was begun counts as used"


def test_a_machine_that_stands_still_does_not_begin(node: Rig) -> None:
    paused(node)
    assert node.machine is not None
    node.machine.keywords = ("cover-open-error",)
    id = ask(node, "feed")
    node.run_columns(1)
    assert "cover-open-error" in outcome(node, id)
    assert did(node) == []


# Cutting.


def test_a_person_cuts_where_the_knife_stands(node: Rig) -> None:
    node.run_columns(55)
    paused(node, armed=True)
    cuts_before = node.journal.state().blade_cuts
    here = node.journal.state().paper_position
    id = ask(node, "cut")
    node.run_columns(1)
    assert outcome(node, id) == DONE
    assert node.paper().cuts["place"].tolist() == [here - KNIFE]
    assert did(node) == [("cut", here - KNIFE, 0, True)]
    state = node.journal.state()
    assert (state.cut_place, state.blade_cuts, state.paper_position) == (here - KNIFE, cuts_before + 1, here)
    again = ask(node, "cut")
    node.run_columns(1)
    assert outcome(node, again) == DONE
    assert len(node.paper().cuts) == 1, "it is cut there already: no stroke"


def test_strips_come_right_after_a_cut_by_hand(node: Rig) -> None:
    """A strip's end that was on its way to the knife is still cut in its own place."""
    node.run_columns(55)  # a boundary lies at 0 and at 60
    paused(node, armed=True)
    ask(node, "cut")
    node.run_columns(1)
    act(node, "resume")
    node.run_columns(60)
    where = {int(entry.boundary): entry.paper_position for entry in node.entries(StripCut) if entry.made}
    assert where[60] in node.paper().cuts["place"].tolist()
    laid = node.paper().laid
    following = laid["place"][laid["column"] >= 60]
    assert where[60] == int(following[0])
    assert len(set(node.paper().cuts["place"].tolist())) == len(node.paper().cuts)


def test_disarmed_it_is_not_cut(node: Rig) -> None:
    paused(node)
    with pytest.raises(InputError, match="arm it first"):
        ask(node, "cut")


def test_disarmed_after_it_was_asked_for_it_is_not_cut(node: Rig) -> None:
    node.run_columns(55)
    paused(node, armed=True)
    id = ask(node, "cut")
    with node.journal.transaction() as db:
        change_state(db, knife_armed=0)
    node.run_columns(1)
    assert outcome(node, id) == "the knife is disarmed"
    assert not node.paper().cuts.size


def test_paper_that_has_not_come_to_the_knife_is_not_cut(node: Rig) -> None:
    paused(node, armed=True)
    id = ask(node, "cut")
    node.run_columns(1)
    assert "feed first" in outcome(node, id)
    assert not node.paper().cuts.size


def test_a_machine_without_a_knife_has_nothing_to_cut_with(tmp_path: Path) -> None:
    node = rig(tmp_path, profile=line_profile(knife=None))
    paused(node)
    for action, what in (("cut", {}), ("test-pattern", {"pattern": "knife-scale"})):
        with pytest.raises(InputError, match="no knife"):
            ask(node, action, **what)  # type: ignore[arg-type]


def test_an_armed_knife_cuts_the_strips_that_are_fed_past_it(node: Rig) -> None:
    """The boundary at 0 stands under the knife when 40 columns are fed."""
    paused(node, armed=True)
    ask(node, "feed", length_mm=30.0)
    node.run_columns(1)
    assert node.journal.state().paper_position == 65
    assert node.paper().cuts["place"].tolist() == [0]
    assert [entry.made for entry in node.entries(StripCut)] == [True]
    assert did(node) == [("feed", 5, 60, True)]


def test_a_disarmed_knife_leaves_them_and_that_is_said(node: Rig) -> None:
    paused(node)
    ask(node, "feed", length_mm=30.0)
    node.run_columns(1)
    assert [(entry.boundary, entry.made) for entry in node.entries(StripCut)] == [(0, False)]
    assert not node.paper().cuts.size


@pytest.mark.parametrize("hold", ["park", "stop"])
def test_parked_or_stopped_it_is_disarmed_and_cannot_be_armed(node: Rig, hold: Action) -> None:
    paused(node, armed=True)
    act(node, hold)
    node.run_columns(1)
    assert not node.journal.state().knife_armed
    with node.journal.transaction() as db:
        change_state(db, arming_asked=1)
    node.run_columns(1)
    state = node.journal.state()
    assert not state.knife_armed
    assert not state.arming_asked


def test_armed_while_paused_it_stays_armed_when_it_goes_on(node: Rig) -> None:
    paused(node, armed=True)
    act(node, "resume")
    node.run_columns(45)
    assert node.paper().cuts["place"].tolist() == [0]


# Test patterns.


def drawn(node: Rig) -> np.ndarray:
    laid = node.paper().laid
    return node.paper().dots[:, laid["place"][laid["column"] == NO_COLUMN]]


@pytest.mark.parametrize("make", [line_profile, carriage_profile], ids=["line", "carriage"])
def test_patterns_lie_on_the_paper_as_they_are_drawn(tmp_path: Path, make: Any) -> None:
    profile: Profile = make()
    node = rig(tmp_path, columns=33, profile=profile)
    paused(node, armed=True)
    begin, wanted = node.journal.state().paper_position, []
    whole: dict[TestPattern, np.ndarray] = {
        "feed-ruler": feed_ruler(profile).dots,
        "knife-scale": knife_scale(profile).dots,
        "squareness": cut_squareness(profile).dots,
    }
    if make is line_profile:
        whole["nozzles"] = element_check(profile).dots
    for name, dots in whole.items():
        id = ask(node, "test-pattern", pattern=name)
        node.run_columns(1)
        assert outcome(node, id) == DONE, name
        wanted.append(dots)
        columns = prints.pattern(profile, name).columns
        wanted.append(np.zeros((40, columns - dots.shape[1]), dtype=np.bool_))
    assert (drawn(node) == np.concatenate(wanted, axis=1)).all()
    assert [used[3] for used in did(node)] == [True] * len(whole)
    assert did(node)[0][1] == begin
    assert not node.paper().refused.size


def test_each_nozzle_draws_its_step(tmp_path: Path) -> None:
    node = rig(tmp_path, columns=20, profile=carriage_profile())
    paused(node)
    id = ask(node, "test-pattern", pattern="nozzles")
    node.run_columns(1)
    assert outcome(node, id) == DONE
    steps = drawn(node)[:, ::4]
    assert steps.shape == (40, 12)
    assert (steps.sum(axis=1) == 1).all()
    assert did(node)[0][2] == 48
    act(node, "resume")
    node.run_columns(20)
    assert len(node.paper().laid) > 20 + 48
    assert_accounted_for_the_picture(node)


def test_the_wedge_goes_from_blank_to_solid(node: Rig) -> None:
    paused(node)
    ask(node, "test-pattern", pattern="tone-wedge")
    node.run_columns(1)
    patches = drawn(node).reshape(40, 21, -1).mean(axis=(0, 2))
    assert patches[0] == 0.0
    assert patches[-1] == 1.0
    assert np.abs(patches - np.linspace(0, 1, 21)).max() < 0.03


@pytest.mark.parametrize("pattern", ["knife-scale", "squareness"])
def test_what_is_to_be_cut_is_cut_at_its_stroke(node: Rig, pattern: TestPattern) -> None:
    node.run_columns(60)
    paused(node, armed=True)
    printed = prints.pattern(node.studio.profile, pattern)
    begin = node.journal.state().paper_position
    id = ask(node, "test-pattern", pattern=pattern)
    node.run_columns(1)
    assert outcome(node, id) == DONE
    assert printed.cut_column is not None
    assert begin + printed.cut_column in node.paper().cuts["place"].tolist()


def test_a_pattern_must_be_chosen(node: Rig) -> None:
    paused(node)
    with pytest.raises(InputError, match="choose one"):
        ask(node, "test-pattern")


# Power cuts.


def assert_accounted_for_the_picture(node: Rig) -> None:
    """Nothing was printed over, and nothing of the picture lies twice."""
    paper = node.paper()
    assert not paper.refused.size
    columns = paper.laid["column"][paper.laid["column"] != NO_COLUMN]
    assert len(set(columns.tolist())) == len(columns)
    assert len(set(paper.laid["place"].tolist())) == len(paper.laid)


@pytest.mark.parametrize("power_goes_at", range(24))
@pytest.mark.parametrize("action", ["feed", "cut", "test-pattern"])
def test_wherever_the_power_goes_nothing_is_printed_over_and_nothing_is_done_again(
    tmp_path: Path, action: HandAction, power_goes_at: int
) -> None:
    node = rig(tmp_path, columns=55)
    paused(node, armed=True)
    ask(node, action, length_mm=140.0, pattern="squareness" if action == "test-pattern" else None)
    node.fuse.left = power_goes_at
    crashed = False
    try:
        node.run_columns(1)
    except Crash:
        crashed = True
    node.fuse.left = None
    node.crash()
    laid, cuts = len(node.paper().laid), len(node.paper().cuts)
    node.start()
    node.run_columns(3)
    assert (len(node.paper().laid), len(node.paper().cuts)) == (laid, cuts), "nothing moves by itself"
    assert node.journal.state().handwork == 0
    act(node, "resume")
    node.run_columns(10)
    assert_accounted_for_the_picture(node)
    assert len(node.paper().laid) > laid
    used = did(node)
    assert len(used) <= 1
    if crashed and used and len(of_no_picture(node)) < used[0][2]:
        assert not used[0][3], "what nobody saw finished is not said to be done"
    passed = [place for one in used for place in range(one[1] or 0, (one[1] or 0) + one[2])]
    assert set(of_no_picture(node)) <= set(passed), "all paper that was used is told"


def test_unknown_columns_lie_before_what_was_fed_since(tmp_path: Path) -> None:
    """The power goes in a burst; before it is resumed, a person feeds: the unknown columns keep their places."""
    node = rig(tmp_path)
    node.fuse.left = 1  # after the order's commit, before the machine moved
    with pytest.raises(Crash):
        node.run_columns(3)
    node.fuse.left = None
    node.crash()
    node.start()
    node.run_columns(1)
    act(node, "pause")
    for _ in range(2):
        ask(node, "feed", length_mm=10.0)
        node.run_columns(1)
    assert did(node) == [("feed", 6, 20, True), ("feed", 26, 20, True)]
    act(node, "resume")
    node.run_columns(3)
    (settled,) = node.entries(GapSettled)
    assert (settled.gap.first, settled.gap.unknown_end, settled.paper_position) == (5, 6, 5)
    laid = node.paper().laid
    assert int(laid["place"][laid["column"] > 5][0]) == 46
    assert_accounted_for_the_picture(node)
    assert node.journal.state().gap_place is None


# Waiting for it.


def waiting(
    node: Rig, id: int, begin_limit_s: float = 5.0, end_limit_s: float = 5.0
) -> tuple[threading.Thread, list[str]]:
    said: list[str] = []

    def wait() -> None:
        try:
            said.append(job.wait(node.journal, id, begin_limit_s, end_limit_s))
        except InputError as error:
            said.append(str(error))

    thread = threading.Thread(target=wait)
    thread.start()
    return thread, said


def test_who_asked_hears_that_it_is_done(node: Rig) -> None:
    paused(node)
    thread, said = waiting(node, ask(node, "feed", length_mm=5.0))
    node.run_columns(1)
    thread.join()
    assert said == ["Done."]


def test_who_asked_hears_that_it_was_not(node: Rig) -> None:
    paused(node)
    assert node.machine is not None
    node.machine.stop_with = ("media-jam-error",)
    thread, said = waiting(node, ask(node, "feed", length_mm=5.0))
    node.run_columns(1)
    thread.join()
    assert "the machine stopped (media-jam-error)" in said[0]


def test_who_asked_hears_that_nobody_took_it_up(node: Rig) -> None:
    paused(node)
    id = ask(node, "feed")
    with pytest.raises(InputError, match="did not take it up"):
        job.wait(node.journal, id, 0.1, 0.1)
    assert outcome(node, id) == VOID
    node.run_columns(1)
    assert of_no_picture(node) == [], "and nobody does it later"


def test_who_asked_hears_that_it_takes_longer(node: Rig) -> None:
    paused(node)
    id = ask(node, "feed", length_mm=300.0)
    node.printer.step()
    assert job.wait(node.journal, id, 1.0, 0.1).startswith("It is under way")


def test_a_board_that_was_replaced_does_nothing_more(node: Rig) -> None:
    paused(node)
    with node.journal.transaction() as db:
        change_state(db, fenced="replaced")
    with pytest.raises(InputError, match="another board"):
        ask(node, "feed")


def test_on_a_plain_run_all_is_still_accounted_for(node: Rig) -> None:
    paused(node)
    ask(node, "feed", length_mm=10.0)
    node.run_columns(1)
    act(node, "resume")
    node.run_columns(20)
    with node.journal.transaction() as db:
        offers.hold(db, Fetched(node.studio.work(), "tag"))
    assert_accounted_for_the_picture(node)
    assert_accounted(node)
