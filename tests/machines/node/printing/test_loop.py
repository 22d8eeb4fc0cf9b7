"""The print loop against a real journal and a real (simulated) machine, under a clock that the test moves."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from machines.errors import InputError
from machines.model.profile import Knife
from machines.node.printing.burst_step import NOTHING_DUE
from machines.node.printing.loop import MustNotPrint
from machines.node.store import operator_actions
from machines.node.store.journal import change_state
from machines.node.work.order_log import unknown_end
from machines.operator import stop_causes
from machines.protocol.journal_entries import (
    ColumnsPrinted,
    ConditionsChanged,
    GapSettled,
    KnifeArmed,
    NodeStarted,
    StripCut,
    TrueAgain,
)
from machines.recovery import Columns, Policy
from tests.machines.node.account import assert_accounted
from tests.machines.node.relay import carriage_profile, line_profile
from tests.machines.node.rig import FusedMachine, HandClock, Rig, make_studio

COLUMN_S = 120.0


def rig(home: Path, columns_per_commit: int = 1, **of_studio: object) -> Rig:
    clock = HandClock()
    made = Rig(home, make_studio(clock, **of_studio), clock, columns_per_commit)  # type: ignore[arg-type]
    made.fetch()
    return made


def arm(node: Rig) -> None:
    with node.journal.transaction() as db:
        change_state(db, arming_asked=1)


def test_each_column_is_laid_at_its_instant(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.run_columns(50)
    laid = node.paper().laid
    assert laid["column"].tolist() == list(range(50))
    assert laid["place"].tolist() == list(range(50))
    expected = [node.studio.instant(column) for column in range(50)]
    assert laid["at"] == pytest.approx(expected, abs=1e-3)


def test_what_lies_on_the_paper_is_the_picture(tmp_path: Path) -> None:
    node = rig(tmp_path, first_column=700)
    node.run_columns(60)
    paper, plate = node.paper(), node.studio.plate
    assert (paper.dots == plate.running(700, 760)).all()


def test_a_burst_is_laid_at_the_instant_of_its_first_column(tmp_path: Path) -> None:
    node = rig(tmp_path, profile=carriage_profile(), first_column=160, columns=320)
    node.run_columns(80)
    laid = node.paper().laid
    expected = [node.studio.instant(column - column % 16) for column in laid["column"].tolist()]
    assert laid["at"] == pytest.approx(expected, abs=1e-3)
    assert laid["column"].tolist() == list(range(160, 240))


def test_a_burst_that_the_runs_beginning_clips_is_laid_at_the_runs_beginning(tmp_path: Path) -> None:
    node = rig(tmp_path, profile=carriage_profile(), first_column=165, columns=320)
    node.run_columns(1)
    laid = node.paper().laid
    assert laid["column"].tolist() == list(range(165, 176))
    assert laid["at"] == pytest.approx([node.studio.instant(165)] * 11, abs=1e-3)


def test_a_segment_is_reported_when_it_is_complete(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.run_columns(31)
    printed = node.entries(ColumnsPrinted)
    assert [entry.columns for entry in printed] == [Columns(first=0, end=15), Columns(first=15, end=30)]
    assert [entry.segment for entry in printed] == [0, 1]
    assert [entry.columns_done for entry in printed] == [15, 15]
    assert [entry.paper_position for entry in printed] == [0, 15]
    assert all(abs(entry.worst_miss_s) < 1e-3 for entry in printed)


def test_the_worst_miss_is_told_as_it_was(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.seconds_per_column = 7.0
    node.run_columns(16)
    assert node.entries(ColumnsPrinted)[0].worst_miss_s == pytest.approx(7.0, abs=1e-3)


def test_an_order_is_committed_a_little_ahead_of_its_instant(tmp_path: Path) -> None:
    def ordered(node: Rig) -> int:
        with node.journal.reading() as db:
            return int(db.execute("SELECT count(*) FROM burst").fetchone()[0])

    for profile, lead_s in ((line_profile(), COLUMN_S / 4), (carriage_profile(), COLUMN_S)):
        node = rig(tmp_path / profile.name, profile=profile, starts_in_s=500.0)
        first = node.studio.instant(0)
        node.run_until(first - lead_s - 1.0)
        assert ordered(node) == 0
        node.run_until(first - lead_s + 1.0)
        assert ordered(node) > 0
        assert not node.paper().laid.size


def test_the_parts_of_a_burst_are_ordered_together(tmp_path: Path) -> None:
    """A burst of 16 over the boundary of segments at 15: one order, one outcome."""
    node = rig(tmp_path, profile=carriage_profile())
    node.fuse.left = 10**6
    node.run_until(node.studio.instant(0) + 1.0)
    before = node.fuse.left
    assert node.paper().laid["column"].tolist() == list(range(16))
    node.run_until(node.studio.instant(16) + 1.0)
    assert node.paper().laid["column"].tolist() == list(range(32))
    # Two commits with a place to fail on either side, and two parts given to the machine with the same.
    assert before - node.fuse.left == 8


def test_the_run_ends_with_its_last_column(tmp_path: Path) -> None:
    node = rig(tmp_path, columns=40)
    node.run_columns(60)
    assert node.paper().laid["column"].tolist() == list(range(40))
    assert node.printer.step() == NOTHING_DUE
    node.fetch()
    assert_accounted(node)
    assert not node.entries(GapSettled)


def test_without_the_servers_time_nothing_is_printed(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.time_known = False
    node.run_columns(10)
    assert not (tmp_path / "paper").exists()
    node.time_known = True
    node.run_columns(10)
    gap = node.entries(GapSettled)[0].gap
    assert (gap.first, gap.end) == (0, 10)


def test_with_a_time_less_sure_than_the_tolerance_nothing_is_printed(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.run_columns(5)
    node.error_s = 0.5 * COLUMN_S + 0.1
    node.run_columns(5)
    assert len(node.paper().laid) == 5
    node.error_s = 0.5 * COLUMN_S
    node.run_columns(5)
    (settled,) = node.entries(GapSettled)
    assert settled.gap.cause == "clock"
    assert node.paper().laid["column"].tolist() == [*range(5), *range(10, 15)]


@pytest.mark.parametrize(("step_columns", "then"), [(30, [*range(5), *range(45, 50)]), (-20, [*range(5)])])
def test_after_a_step_of_the_servers_clock_it_prints_once_it_is_sure_and_nothing_twice(
    tmp_path: Path, step_columns: int, then: list[int]
) -> None:
    """Forward leaves a gap, as columns that are late do; back, what was laid before its time is not laid again."""
    node = rig(tmp_path)
    node.run_columns(5)
    node.server_ahead_s = step_columns * COLUMN_S
    node.error_s = math.inf
    node.run_columns(10)
    assert len(node.paper().laid) == 5
    assert [entry.keywords for entry in node.entries(ConditionsChanged)] == [("other-error",)]
    node.error_s = 0.01
    node.run_columns(5)
    assert [entry.keywords for entry in node.entries(ConditionsChanged)] == [("other-error",), ()]
    assert node.paper().laid["column"].tolist() == then
    assert [settled.gap.cause for settled in node.entries(GapSettled)] == (["clock"] if step_columns > 0 else [])
    node.run_columns(20)
    assert_accounted(node)
    assert not node.paper().refused.size


def test_a_start_after_an_orderly_stop_is_a_service(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.run_columns(5)
    node.stop()
    node.clock.at += 20 * COLUMN_S
    node.start()
    node.run_columns(5)
    assert [entry.unplanned_stop for entry in node.entries(NodeStarted)] == [False, False]
    (settled,) = node.entries(GapSettled)
    assert settled.gap.cause == "service"
    assert settled.gap.unknown_end == settled.gap.first == 5
    assert node.entries(ColumnsPrinted)[0].columns == Columns(first=0, end=5)


def test_a_short_stop_leaves_no_gap(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.run_columns(5)
    node.stop()
    node.clock.at += 0.9 * COLUMN_S
    node.start()
    node.run_columns(5)
    assert not node.entries(GapSettled)
    assert node.paper().laid["column"].tolist() == list(range(11))


def test_after_a_crash_in_the_machine_the_column_is_unknown_and_its_place_counts_as_used(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.run_columns(5)
    with node.journal.transaction() as db:  # the order was committed, and nobody saw it done
        db.execute(
            "INSERT INTO burst (run, first_column, end_column, segment, place, due, ordered_at)"
            " VALUES ('run', 5, 6, 0, 5, 0, 0)"
        )
    node.crash()
    node.clock.at += 10 * COLUMN_S
    node.start()
    node.run_columns(5)
    (settled,) = node.entries(GapSettled)
    assert settled.gap.cause == "power"
    assert settled.decision.unknown == Columns(first=5, end=6)
    assert settled.paper_position == 5
    laid = node.paper().laid
    assert laid["column"].tolist() == [*range(5), *range(15, 20)]
    assert laid["place"].tolist() == [*range(5), *range(6, 11)]


def test_an_unknown_column_alone_costs_no_other(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.run_columns(5)
    node.clock.at += 1.0
    with node.journal.transaction() as db:
        db.execute(
            "INSERT INTO burst (run, first_column, end_column, segment, place, due, ordered_at)"
            " VALUES ('run', 5, 6, 0, 5, 0, 0)"
        )
    node.crash()
    node.start()
    node.run_columns(5)
    (settled,) = node.entries(GapSettled)
    assert (settled.gap.first, settled.gap.unknown_end, settled.gap.end) == (5, 6, 6)


def test_a_replay_goes_on_in_order_at_the_highest_rate_until_it_is_true_again(tmp_path: Path) -> None:
    node = rig(tmp_path, policy="replay")
    node.run_columns(20)
    node.crash()
    node.clock.at += 30 * COLUMN_S
    node.start()
    resumed = node.clock.at
    node.run_columns(60)
    laid = node.paper().laid
    assert laid["column"].tolist() == list(range(20 + 30 + 60))
    assert laid["place"].tolist() == laid["column"].tolist()
    # Four times as fast as the sky: a backlog of 30 takes the time of 10 columns, in which 10 more fall due.
    (true_again,) = node.entries(TrueAgain)
    (settled,) = node.entries(GapSettled)
    assert settled.decision.true_again == pytest.approx(60, abs=1)
    assert true_again.column == pytest.approx(60, abs=1)
    late = laid[(laid["at"] >= resumed) & (laid["column"] < true_again.column)]
    steps = late["at"][1:] - late["at"][:-1]
    assert (steps >= COLUMN_S / 4 - 1e-3).all()
    on_time = laid[laid["column"] >= true_again.column]
    assert on_time["at"] == pytest.approx([node.studio.instant(c) for c in on_time["column"].tolist()], abs=1e-3)


def test_what_was_laid_late_is_reported_apart_from_what_follows(tmp_path: Path) -> None:
    node = rig(tmp_path, policy="replay")
    node.run_columns(20)
    node.crash()
    node.clock.at += 30 * COLUMN_S
    node.start()
    node.run_columns(80)
    (true_again,) = node.entries(TrueAgain)
    for entry in node.entries(ColumnsPrinted):
        late = 20 <= entry.columns.first < true_again.column
        assert (entry.worst_miss_s > COLUMN_S / 2) == late
        assert not entry.columns.first < true_again.column < entry.columns.end


def test_an_agent_that_begins_in_the_middle_of_a_replay_was_away_and_says_so(tmp_path: Path) -> None:
    node = rig(tmp_path, policy="replay")
    node.run_columns(10)
    node.crash()
    node.clock.at += 30 * COLUMN_S
    node.start()
    node.run_columns(3)
    node.crash()
    node.clock.at += 10 * COLUMN_S
    node.start()
    node.run_columns(40)
    first, second = node.entries(GapSettled)
    assert first.gap.end == 40
    assert second.gap.end == 53
    assert 10 < second.gap.first < 40
    assert node.paper().laid["column"].tolist() == list(range(93))
    assert len(node.entries(TrueAgain)) == 1


def test_being_late_in_a_replay_is_no_new_gap(tmp_path: Path) -> None:
    node = rig(tmp_path, policy="replay")
    node.run_columns(10)
    node.stop()
    node.clock.at += 100 * COLUMN_S
    node.start()
    node.run_columns(10)
    assert len(node.entries(GapSettled)) == 1
    node.clock.at += 20 * COLUMN_S  # something kept the board busy
    node.run_columns(60)
    assert len(node.entries(GapSettled)) == 1
    node.fetch()
    assert_accounted(node)


def test_a_machine_no_faster_than_the_sky_skips_what_it_should_replay(tmp_path: Path) -> None:
    node = rig(tmp_path, policy="replay", profile=line_profile(highest_mm_per_hour=15.0))
    node.run_columns(5)
    node.crash()
    node.clock.at += 10 * COLUMN_S
    node.start()
    node.run_columns(5)
    (settled,) = node.entries(GapSettled)
    assert settled.decision.action == "skip"
    assert not node.entries(TrueAgain)


def test_a_run_that_began_before_the_node_had_it_is_begun_late(tmp_path: Path) -> None:
    node = rig(tmp_path, starts_in_s=-10 * COLUMN_S - 1.0)
    node.run_columns(5)
    (settled,) = node.entries(GapSettled)
    assert settled.gap.cause == "late-start"
    assert (settled.gap.first, settled.gap.end) == (0, 11)


def test_a_board_that_takes_over_begins_where_the_last_one_stopped(tmp_path: Path) -> None:
    clock = HandClock()
    studio = make_studio(clock)
    other = Rig(tmp_path / "other", studio, clock)
    other.fetch()
    other.run_columns(30)
    other.fetch()
    assert len(studio.all_of(ColumnsPrinted)) == 2
    studio.entries.clear()
    studio.accounted = lambda: set(range(30))  # type: ignore[method-assign]
    node = Rig(tmp_path / "new", studio, clock)
    node.fetch()
    node.run_columns(5)
    assert node.paper().laid["column"].tolist() == list(range(30, 35))
    assert not node.entries(GapSettled)


def test_work_that_comes_late_is_a_gap_for_want_of_work(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.studio.horizon_s = COLUMN_S
    node.fetch()
    node.run_columns(40)
    held_end = int(node.paper().laid["column"][-1]) + 1
    assert held_end == 15
    node.fetch()
    node.run_columns(2)
    (settled,) = node.entries(GapSettled)
    assert settled.gap.cause == "no-work"
    assert (settled.gap.first, settled.gap.end) == (15, 40)
    assert node.paper().laid["column"].tolist()[-1] in (40, 41)


def test_until_the_work_reaches_to_now_it_does_not_guess(tmp_path: Path) -> None:
    """The next segment is held, and late; but what belongs under the head now is not known yet."""
    node = rig(tmp_path)
    node.studio.horizon_s = COLUMN_S
    node.fetch()
    node.run_columns(2)
    node.crash()
    node.clock.at += 100 * COLUMN_S
    node.start()
    assert node.printer.step() == 0.0  # says that it started
    assert node.printer.step() == NOTHING_DUE
    assert len(node.paper().laid) == 2
    node.fetch()
    node.run_columns(2)
    (settled,) = node.entries(GapSettled)
    assert settled.gap.first == 2
    assert settled.gap.end == 102
    assert settled.gap.cause == "power"


def test_without_the_plate_nothing_is_printed(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.plates.prune(())
    node.run_columns(5)
    assert len(node.entries(ColumnsPrinted)) == 0
    node.plates.put(node.studio.plate.digest, node.studio.plate)
    node.run_columns(5)
    (settled,) = node.entries(GapSettled)
    assert settled.gap.cause == "no-work"


def test_a_plate_that_goes_at_the_last_moment_leaves_nothing_ordered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    node = rig(tmp_path)
    node.run_columns(5)
    node.plates.prune(())
    monkeypatch.setattr(type(node.plates), "has", lambda store, digest: True)
    node.run_columns(5)
    monkeypatch.undo()
    with node.journal.reading() as db:
        assert unknown_end(db) is None
    node.plates.put(node.studio.plate.digest, node.studio.plate)
    node.run_columns(5)
    (settled,) = node.entries(GapSettled)
    assert (settled.gap.first, settled.gap.end, settled.gap.cause) == (5, 10, "no-work")


def test_a_machine_that_stops_in_a_burst_leaves_it_unknown(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.run_columns(5)
    assert node.machine is not None
    node.machine.stop_with = ("media-jam-error",)
    node.run_columns(10)
    node.machine.keywords = ()
    node.run_columns(5)
    assert [entry.keywords for entry in node.entries(ConditionsChanged)] == [("media-jam-error",), ()]
    (settled,) = node.entries(GapSettled)
    assert settled.gap.cause == "jam"
    assert (settled.gap.first, settled.gap.unknown_end, settled.gap.end) == (5, 6, 15)


def test_a_warning_does_not_stop_the_print(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.run_columns(5)
    assert node.machine is not None
    node.machine.keywords = ("media-low-warning",)
    node.run_columns(5)
    assert len(node.paper().laid) == 10
    assert [entry.keywords for entry in node.entries(ConditionsChanged)] == [("media-low-warning",)]


def test_after_a_crash_the_knife_is_disarmed_until_a_person_arms_it(tmp_path: Path) -> None:
    node = rig(tmp_path)
    arm(node)
    node.run_columns(50)
    assert node.journal.state().knife_armed
    node.crash()
    node.start()
    assert not node.journal.state().knife_armed
    arm(node)
    node.run_columns(1)
    assert node.journal.state().knife_armed
    assert [entry.unplanned_stop for entry in node.entries(NodeStarted)] == [False, True]
    assert len(node.entries(KnifeArmed)) == 2


@pytest.mark.parametrize("unattended", [True, False])
def test_it_says_whether_it_goes_on_by_itself_after_a_crash_and_after_a_jam(tmp_path: Path, unattended: bool) -> None:
    node = rig(tmp_path)
    node.run_columns(2)
    node.resume_unattended = unattended
    node.crash()
    node.start()
    node.run_columns(2)
    if not unattended:
        with node.journal.transaction() as db:
            operator_actions.act(db, "resume")
    for keywords in ((), ("media-low-warning",), ("media-jam-error",), ()):
        node.run_columns(2)
        assert node.machine is not None
        node.machine.keywords = keywords
    node.run_columns(2)
    assert [entry.goes_on for entry in node.entries(NodeStarted)] == [False, unattended]
    said = [(entry.keywords, entry.goes_on) for entry in node.entries(ConditionsChanged)]
    low, jam, over = (("media-low-warning",), False), (("media-jam-error",), False), ((), True)
    held = (("paused",), False)
    assert said == ([low, jam, over] if unattended else [held, over, low, jam, held]), "resumed, it goes on, too"


def test_an_orderly_stop_leaves_the_knife_as_it_was(tmp_path: Path) -> None:
    node = rig(tmp_path)
    arm(node)
    node.run_columns(2)
    node.stop()
    node.start()
    assert node.journal.state().knife_armed


def test_an_arming_asked_of_the_agent_before_is_void(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.time_known = False
    arm(node)
    node.stop()
    node.start()
    node.time_known = True
    node.run_columns(2)
    assert not node.journal.state().knife_armed


def test_a_strip_is_cut_where_its_boundary_stands_under_the_knife(tmp_path: Path) -> None:
    """Twelve strips a turn of 720: boundaries every 60 columns; from head to knife are 40."""
    node = rig(tmp_path)
    arm(node)
    node.run_columns(180)
    assert node.paper().cuts["place"].tolist() == [0, 60, 120]
    assert [(cut.boundary, cut.paper_position, cut.made) for cut in node.entries(StripCut)] == [
        (0, 0, True),
        (60, 60, True),
        (120, 120, True),
    ]
    cuts, laid = node.paper().cuts, node.paper().laid
    for cut in cuts:
        before = laid[laid["at"] <= cut["at"]]
        assert before["place"].max() + 1 == cut["place"] + 40


@pytest.mark.parametrize("knife_mm", [0.0, 1.5, 2.5, 3.0, 20.0, 33.3])
@pytest.mark.parametrize("columns_per_commit", [1, 50])
def test_a_burst_is_split_so_that_the_cut_stands_in_its_place(
    tmp_path: Path, knife_mm: float, columns_per_commit: int
) -> None:
    """Wherever the knife is; the machine refuses a cut of any other place than the one under the knife."""
    profile = carriage_profile(knife=Knife(head_to_knife_mm=knife_mm, cuts_per_blade=100))
    node = rig(tmp_path, columns_per_commit, profile=profile, first_column=7, strips_per_turn=19)
    arm(node)
    node.run_columns(300)
    boundaries = [round(strip * 720 / 19) for strip in range(1, 20)]
    expected = [boundary for boundary in boundaries if boundary - 7 + profile.knife_columns <= len(node.paper().laid)]
    assert [cut.boundary for cut in node.entries(StripCut)] == expected
    assert all(cut.made for cut in node.entries(StripCut))
    assert node.paper().cuts["place"].tolist() == [boundary - 7 for boundary in expected]
    assert node.paper().laid["column"].tolist() == list(range(7, 7 + len(node.paper().laid)))


def test_disarmed_it_says_that_the_strip_was_not_cut(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.run_columns(110)
    assert [(cut.boundary, cut.made) for cut in node.entries(StripCut)] == [(0, False), (60, False)]
    assert not node.paper().cuts.size


def test_a_machine_that_says_its_knife_is_disarmed_is_not_told_to_cut(tmp_path: Path) -> None:
    """Not even where it says so in the very step in which a boundary comes under the knife."""
    node = rig(tmp_path)
    arm(node)
    while node.journal.state().next_column < 40:
        node.clock.at += node.printer.step()
    assert node.machine is not None
    node.machine.keywords = (stop_causes.KNIFE_OFFLINE,)
    node.run_columns(10)
    assert [(cut.boundary, cut.made) for cut in node.entries(StripCut)] == [(0, False)]
    assert not node.paper().cuts.size


def test_a_blade_that_is_changed_while_the_old_one_cuts_is_counted_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    node = rig(tmp_path)
    arm(node)
    node.run_columns(110)
    assert node.journal.state().blade_cuts == 2
    cut = FusedMachine.cut

    def changed_meanwhile(machine: FusedMachine, place: int) -> None:
        cut(machine, place)
        with node.journal.transaction() as db:
            operator_actions.act(db, "park")
            operator_actions.act(db, "blade-changed")
            operator_actions.act(db, "resume")

    monkeypatch.setattr(FusedMachine, "cut", changed_meanwhile)
    node.run_columns(60)
    assert node.journal.state().blade_cuts == 1 and len(node.paper().cuts) == 3


def test_boundaries_among_skipped_columns_lie_where_the_paper_goes_on(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.run_columns(50)
    node.stop()
    node.clock.at += 200 * COLUMN_S
    node.start()
    arm(node)
    node.run_columns(60)
    cuts = [(cut.boundary, cut.paper_position) for cut in node.entries(StripCut)]
    assert cuts == [(0, 0), (60, 50), (120, 50), (180, 50), (240, 50)]
    assert node.paper().cuts["place"].tolist() == [50]  # one cut ends them all


def test_a_cut_that_was_ordered_and_not_seen_done_is_not_made_again(tmp_path: Path) -> None:
    node = rig(tmp_path)
    arm(node)
    node.run_columns(39)
    with node.journal.transaction() as db:
        db.execute("UPDATE strip SET state = 'ordered'")
    node.crash()
    node.start()
    arm(node)
    node.run_columns(10)
    assert [(cut.boundary, cut.made) for cut in node.entries(StripCut)] == [(0, False)]
    assert not node.paper().cuts.size


def test_a_boundary_that_is_past_the_knife_is_not_cut_elsewhere(tmp_path: Path) -> None:
    """Somebody corrects the distance from head to knife: the boundary at place 0 is past the knife by then."""
    node = rig(tmp_path)
    arm(node)
    node.run_columns(30)
    node.studio.profile = line_profile(knife=Knife(head_to_knife_mm=10.0, cuts_per_blade=1000))
    node.fetch()
    node.run_columns(60)
    assert [(cut.boundary, cut.made) for cut in node.entries(StripCut)] == [(0, False), (60, True)]
    assert node.paper().cuts["place"].tolist() == [60]
    assert not node.entries(ConditionsChanged)


def test_several_columns_a_commit_write_less(tmp_path: Path) -> None:
    def writes(columns_per_commit: int) -> int:
        node = rig(tmp_path / str(columns_per_commit), columns_per_commit)
        node.fuse.left = 10**6
        node.run_columns(60)
        assert len(node.paper().laid) == 60
        assert node.fuse.left is not None
        return 10**6 - node.fuse.left

    assert writes(20) < writes(1) / 2


def test_what_a_crash_may_leave_unknown_is_bounded_by_the_setting(tmp_path: Path) -> None:
    node = rig(tmp_path, columns_per_commit=20)
    node.run_columns(70)
    node.crash()
    node.start()
    node.run_columns(5)
    (settled,) = node.entries(GapSettled)
    assert 0 < len(settled.decision.unknown) <= 20
    # Columns of the commit that were not given to the machine yet are lost with it, on time or not.
    assert settled.gap.end == settled.gap.unknown_end == 80


def test_an_orderly_stop_withdraws_what_was_not_given_to_the_machine(tmp_path: Path) -> None:
    node = rig(tmp_path, columns_per_commit=20)
    node.run_columns(70)
    node.stop()
    node.start()
    node.run_columns(5)
    assert not node.entries(GapSettled)
    assert node.paper().laid["column"].tolist() == list(range(75))


def test_a_fenced_node_prints_no_more(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.run_columns(5)
    with node.journal.transaction() as db:
        change_state(db, fenced="epoch 1 was replaced by 2")
    with pytest.raises(MustNotPrint, match="replaced by 2"):
        node.run_columns(5)
    assert len(node.paper().laid) == 5


def test_a_new_run_takes_over_from_the_last_one(tmp_path: Path) -> None:
    node = rig(tmp_path, columns=20)
    node.run_columns(25)
    node.fetch()
    node.studio.run = type(node.studio.run)(  # type: ignore[misc]
        **{**vars(node.studio.run), "id": "next", "first_column": 30, "end_column": 60}
    )
    node.fetch()
    node.run_columns(20)
    laid = node.paper().laid
    assert laid["column"].tolist() == [*range(20), *range(30, 45)]
    assert laid["place"].tolist() == list(range(35))
    assert not node.entries(GapSettled)


@pytest.mark.parametrize(("perhaps_end", "unknown"), [(None, 0), (39, 2)])
def test_a_run_that_was_left_in_the_middle_is_gone_on_with_where_it_was_left(
    tmp_path: Path, perhaps_end: int | None, unknown: int
) -> None:
    """A server that was put back from an older copy hands it out from where it knew of it, column 30."""
    node = rig(tmp_path, columns=20)
    node.run_columns(25)
    with node.journal.transaction() as db:
        db.execute("INSERT INTO left_run VALUES ('next', 37, ?)", (perhaps_end,))
    assert node.studio.run is not None
    node.studio.run = replace(node.studio.run, id="next", first_column=30, end_column=60)
    node.fetch()
    node.run_columns(20)
    assert node.paper().laid["column"].tolist() == [*range(20), *range(37 + unknown, 45)]
    assert sum(len(entry.decision.unknown) for entry in node.entries(GapSettled)) == unknown


def test_a_server_that_forgot_the_run_does_not_stop_the_print(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.run_columns(5)
    run, node.studio.run = node.studio.run, None
    node.fetch()
    node.run_columns(5)
    node.studio.run = run
    node.fetch()
    node.run_columns(5)
    assert node.paper().laid["column"].tolist() == list(range(15))
    assert node.entries(GapSettled) == []


def test_the_policy_is_the_one_of_the_moment(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.run_columns(5)
    node.studio.policy = Policy(kind="replay")
    node.fetch()
    node.crash()
    node.clock.at += 10 * COLUMN_S
    node.start()
    node.run_columns(10)
    assert node.entries(GapSettled)[0].policy == Policy(kind="replay")
    assert node.paper().laid["column"].tolist() == list(range(25))


def test_a_machine_of_another_geometry_does_not_print_on_this_paper(tmp_path: Path) -> None:
    node = rig(tmp_path)
    node.run_columns(5)
    node.studio.profile = line_profile(dots_across=48)
    node.fetch()
    with pytest.raises(InputError, match="another folder"):
        node.run_columns(5)
