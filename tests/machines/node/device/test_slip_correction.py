"""Where the paper really is: the node measures it, says so, and puts it right where the picture is blank."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from machines.clock import utc
from machines.drivers.emulated.controller import Controller
from machines.drivers.emulated.head import Make
from machines.drivers.emulated.wire import EmulatedWire
from machines.drivers.serial.machine import SerialMachine
from machines.drivers.simulated.faults import DeadNozzles, Fault, FaultPlan, Jump, Slip, SlowFeed
from machines.imaging.plate import Plate
from machines.model.calibration import Calibration
from machines.model.position import SlipState
from machines.model.profile import Profile
from machines.node import status
from machines.node.device.slip_correction import in_words
from machines.node.panel import panel_state as panel
from machines.node.store import operator_actions
from machines.node.store.slip_state import read_track
from machines.protocol.journal_entries import FeedCorrected, OperatorActed, SlipMeasured, StripCut
from machines.protocol.messages import RunWork
from tests.machines.drivers.serial.bench import Bench, BenchPort
from tests.machines.node.relay import carriage_profile, line_profile
from tests.machines.node.rig import NOON, Crash, HandClock, Rig, make_studio

# Of a column, which is half a millimetre, a quarter is put right in one place.
STEP_MM = 0.125
TURN_COLUMNS = 720


def measured(make: Any = line_profile, **changes: Any) -> Profile:
    """A machine of 360 mm a day with an encoder of 0.01 mm."""
    return make(encoder_pitch_mm=0.01, **changes)


def half_blank(profile: Profile, every: int = 16) -> Plate:
    """Dots in half of the columns: of each so many the first and the last quarter are blank."""
    dots = np.random.default_rng(1).random((profile.dots_across, profile.columns_per_turn)) < 0.4
    quarter = np.arange(profile.columns_per_turn) % every // (every // 4)
    dots[:, (quarter == 0) | (quarter == 3)] = False
    return Plate(dots)


def rig(
    folder: Path,
    profile: Profile,
    *faults: Fault,
    blank: bool = True,
    columns: int = TURN_COLUMNS,
    columns_per_commit: int = 16,
) -> Rig:
    clock = HandClock()
    studio = make_studio(clock, profile=profile, columns=columns)
    if blank:
        studio.plate = half_blank(profile)
    node = Rig(folder, studio, clock, columns_per_commit=columns_per_commit, faults=FaultPlan(faults=faults))
    node.fetch()
    return node


def error_mm(node: Rig) -> np.ndarray:
    paper = node.paper()
    return (paper.true_places - paper.laid["place"]) * node.studio.profile.column_pitch_mm


def assert_nothing_twice(node: Rig) -> None:
    """Whatever the paper does, each column and each place is ordered once."""
    paper = node.paper()
    assert len(set(paper.laid["column"].tolist())) == len(set(paper.laid["place"].tolist())) == len(paper.laid)
    assert not paper.refused.size


HALF_PERCENT = Slip(at=utc(NOON), share=0.005)


@pytest.mark.parametrize(
    ("make", "fault"),
    [
        (line_profile, HALF_PERCENT),
        (carriage_profile, HALF_PERCENT),
        (carriage_profile, SlowFeed(at=utc(NOON), factor=1.005)),
    ],
)
def test_over_a_turn_the_picture_stays_within_the_threshold(tmp_path: Path, make: Any, fault: Fault) -> None:
    """Half a percent of 360 mm is 1.8 mm or 7.2 minutes; with an encoder it never comes to half a millimetre."""
    node = rig(tmp_path, measured(make), fault)
    node.run_columns(TURN_COLUMNS + 20)
    errors = error_mm(node)
    assert len(errors) == TURN_COLUMNS
    assert np.abs(errors).max() < node.studio.profile.slip_threshold_mm
    assert np.abs(errors).max() < 2.1 * STEP_MM, "it is put right as soon as it comes to a step"
    assert node.entries(SlipMeasured) == []
    corrected = node.entries(FeedCorrected)
    sign = 1 if fault is HALF_PERCENT else -1
    assert 3 <= len(corrected) <= 4, "a steady slip that never shows is told each time that it would have"
    assert sum(entry.corrected_mm for entry in corrected) == pytest.approx(sign * 1.8, abs=0.5)
    assert all(abs(entry.slip_mm) <= STEP_MM for entry in corrected)
    assert node.machine is not None
    assert set(np.abs(node.machine.corrections)) == {STEP_MM}
    node.stop()
    assert_nothing_twice(node)


@pytest.mark.parametrize("make", [line_profile, carriage_profile])
def test_without_an_encoder_the_error_grows_and_nobody_knows(tmp_path: Path, make: Any) -> None:
    node = rig(tmp_path, make(), HALF_PERCENT)
    node.run_columns(TURN_COLUMNS + 20)
    errors = error_mm(node)
    assert errors == pytest.approx(-0.005 * 0.5 * np.arange(TURN_COLUMNS))
    assert node.entries(SlipMeasured) == node.entries(FeedCorrected) == []


def test_a_thousandth_of_a_day_of_600_mm_is_86_s(tmp_path: Path) -> None:
    """0.1 % of slip at 600 mm a day is 0.6 mm or 86 s a day. Computed; common practice, no source."""
    profile = measured(mm_per_turn=600.0, slip_threshold_mm=0.59)
    node = rig(tmp_path, profile, Slip(at=utc(NOON), share=0.001), blank=False, columns=TURN_COLUMNS + 1)
    node.run_columns(TURN_COLUMNS + 20)
    assert error_mm(node)[-1] == pytest.approx(-0.6)
    (said,) = node.entries(SlipMeasured)
    assert said.slip_mm == pytest.approx(-0.6, abs=0.02)
    assert said.slip_s == pytest.approx(-86.4, abs=3.0)
    assert said.slip_degrees == pytest.approx(-0.36, abs=0.012)


def test_it_is_put_right_only_where_the_picture_is_blank(tmp_path: Path) -> None:
    node = rig(tmp_path, measured(), HALF_PERCENT, columns=360)
    node.run_columns(380)
    steps = np.flatnonzero(np.diff(error_mm(node)) > STEP_MM / 2) + 1
    assert len(steps) > 5
    dots = node.studio.plate.dots
    for column in steps:
        assert not dots[:, column - 2 : column + 2].any()
    assert (np.diff(node.paper().true_places) > 0).all(), "the paper never goes back"


def test_of_a_picture_without_a_blank_place_the_slip_is_said_at_each_threshold(tmp_path: Path) -> None:
    node = rig(tmp_path, measured(), HALF_PERCENT, blank=False)
    node.run_columns(TURN_COLUMNS + 20)
    said = node.entries(SlipMeasured)
    assert [entry.slip_mm for entry in said] == pytest.approx([-0.5, -1.0, -1.5], abs=0.02)
    assert [entry.column for entry in said] == pytest.approx([200, 400, 600], abs=8)
    assert said[0].slip_s == pytest.approx(-120.0, abs=5.0), "360 mm a day: half a millimetre is two minutes"
    assert said[0].slip_degrees == pytest.approx(-0.5, abs=0.02)
    assert node.entries(FeedCorrected) == []
    assert node.machine is not None and node.machine.corrections == []


@pytest.mark.parametrize("mm", [-3.0, 3.0])
def test_a_jump_is_said_and_made_good_a_little_at_a_time(tmp_path: Path, mm: float) -> None:
    node = rig(tmp_path, measured(), Jump(at=utc(NOON + 40 * 120), mm=mm), columns=360)
    node.run_columns(380)
    said, (corrected,) = node.entries(SlipMeasured), node.entries(FeedCorrected)
    assert max(abs(entry.slip_mm) for entry in said) == pytest.approx(3.0, abs=STEP_MM)
    assert [np.sign(entry.slip_mm) for entry in said] == [np.sign(mm)] * len(said)
    gaps = [abs(a.slip_mm - b.slip_mm) for a, b in pairwise(said)]
    assert all(gap >= 0.5 for gap in gaps)
    assert corrected.seq > said[-1].seq
    assert corrected.corrected_mm == pytest.approx(-mm, abs=STEP_MM)
    assert np.abs(error_mm(node)[-100:]).max() <= STEP_MM
    steps = np.diff(node.paper().true_places)
    assert (steps[80:] > 0.7).all() and (steps[80:] < 1.3).all(), "never in one jump"
    assert (steps >= 0).all(), "and never back"


def test_a_new_roll_lies_where_it_was_threaded(tmp_path: Path) -> None:
    """Whoever threads a roll pulls paper through: that is no slip, and nothing is put right."""
    node = rig(tmp_path, measured())
    node.run_columns(100)
    with node.journal.transaction() as db:
        operator_actions.act(db, "park")
    node.run_columns(2)
    node.faults = FaultPlan(faults=(Jump(at=utc(node.clock.at), mm=40.0),))
    with node.journal.transaction() as db:
        operator_actions.act(db, "roll-changed")
        operator_actions.act(db, "resume")
    node.run_columns(200)
    assert len(node.entries(OperatorActed)) == 3
    assert node.entries(SlipMeasured) == node.entries(FeedCorrected) == []
    assert error_mm(node)[-1] == pytest.approx(40.0)


def test_paused_and_resumed_a_slip_is_still_one(tmp_path: Path) -> None:
    node = rig(tmp_path, measured(), blank=False)
    node.run_columns(100)
    with node.journal.transaction() as db:
        operator_actions.act(db, "pause")
    node.run_columns(2)
    node.faults = FaultPlan(faults=(Jump(at=utc(node.clock.at), mm=2.0),))
    with node.journal.transaction() as db:
        operator_actions.act(db, "resume")
    node.run_columns(20)
    (said,) = node.entries(SlipMeasured)
    assert said.slip_mm == pytest.approx(2.0, abs=0.02)


def test_what_was_put_right_is_told_whole_though_the_agent_was_paused_and_stopped(tmp_path: Path) -> None:
    node = rig(tmp_path, measured(), HALF_PERCENT, columns=360)
    node.run_columns(100)
    for action in ("pause", "resume"):
        with node.journal.transaction() as db:
            operator_actions.act(db, action)
        node.run_columns(1)
    node.run_columns(60)
    before = node.machine.corrections if node.machine is not None else []
    node.stop()
    node.start()
    node.run_columns(60)
    assert node.machine is not None
    told = sum(entry.corrected_mm for entry in node.entries(FeedCorrected))
    assert told == pytest.approx(0.5, abs=STEP_MM / 2), "220 columns of half a millimetre slip by 0.55 mm"
    assert before and node.machine.corrections


def test_after_a_new_start_the_zero_is_the_old_one(tmp_path: Path) -> None:
    node = rig(tmp_path, measured(), HALF_PERCENT, blank=False)
    node.run_columns(150)
    node.stop()
    node.start()
    node.run_columns(150)
    assert [entry.slip_mm for entry in node.entries(SlipMeasured)] == pytest.approx([-0.5], abs=0.02)


def test_wherever_the_power_goes_the_place_is_put_right(tmp_path: Path) -> None:
    """A power cut at any instant, a correction's too, costs the word of it at most."""
    for burned in range(0, 40, 5):
        jump = Jump(at=utc(NOON + 600), mm=-1.0)
        node = rig(tmp_path / str(burned), measured(), jump, columns=120, columns_per_commit=1)
        node.run_columns(3)
        node.fuse.left = burned
        try:
            node.run_columns(30)
        except Crash:
            node.crash()
            node.fuse.left = None
            node.start()
        node.fuse.left = None
        node.run_columns(120)
        assert np.abs(error_mm(node)[-20:]).max() <= 2 * STEP_MM
        node.stop()
        assert_nothing_twice(node)


def test_a_run_begins_with_its_own_zero(tmp_path: Path) -> None:
    node = rig(tmp_path, measured(), Jump(at=utc(NOON), mm=5.0))
    with node.journal.reading() as db:
        assert read_track(db).zero_mm is None
    node.run_columns(5)
    with node.journal.reading() as db:
        assert read_track(db).zero_mm == pytest.approx(5.0, abs=0.02)
    assert node.entries(SlipMeasured) == []


class TestCalibration:
    def test_it_reaches_a_machine_that_prints(self, tmp_path: Path) -> None:
        """A feed that is half a percent slow is measured in the middle of a run: from then on it slips no more."""
        node = rig(tmp_path, line_profile(), SlowFeed(at=utc(NOON), factor=0.995))
        node.run_columns(100)
        before = node.machine
        node.studio.calibration = Calibration(feed_factor=0.995)
        node.fetch()
        node.run_columns(200)
        assert before is not None and before.closed
        assert node.machine is not before
        errors = error_mm(node)
        laid_before = int((node.paper().laid["at"] <= NOON + 100 * 120).sum())
        assert errors[laid_before:] == pytest.approx([errors[laid_before - 1]] * (len(errors) - laid_before))
        assert np.abs(errors[laid_before - 1]) == pytest.approx(0.0025 * (laid_before - 1))
        node.stop()
        assert_nothing_twice(node)

    def test_the_same_again_leaves_the_machine_alone(self, tmp_path: Path) -> None:
        node = rig(tmp_path, line_profile())
        node.studio.calibration = Calibration(feed_factor=0.995)
        node.fetch()
        node.run_columns(20)
        before = node.machine
        node.fetch()
        node.run_columns(20)
        assert node.machine is before

    def test_known_dead_nozzles_are_left_out_and_the_picture_is_whole(self, tmp_path: Path) -> None:
        node = rig(tmp_path, carriage_profile(), DeadNozzles(at=utc(NOON), nozzles=(1, 2, 3)), blank=False)
        node.run_columns(64)
        node.studio.calibration = Calibration(dead_nozzles=(1, 2, 3))
        node.fetch()
        node.run_columns(128)
        paper, wanted = node.paper(), node.studio.plate.dots
        whole = [bool((paper.dots[:, place] == wanted[:, place]).all()) for place in paper.laid["place"].tolist()]
        assert not all(whole[:48])
        assert all(whole[80:])

    def test_a_knife_that_was_measured_cuts_where_it_is(self, tmp_path: Path) -> None:
        """20 mm or 40 columns says the profile, 25 mm or 50 columns the rule."""
        node = rig(tmp_path, line_profile())
        node.studio.calibration = Calibration(head_to_knife_mm=25.0)
        node.fetch()
        node.run_columns(10)
        with node.journal.transaction() as db:
            db.execute("UPDATE state SET knife_armed = 1")
        node.run_columns(130)
        paper = node.paper()
        assert paper.cuts["place"].tolist() == [0, 60]
        for cut in paper.cuts:
            laid = int((paper.laid["at"] <= cut["at"]).sum())
            assert laid - 50 == cut["place"]

    def test_a_strip_that_a_measurement_puts_beyond_an_armed_knife_says_so_and_the_knife_stays_armed(
        self, tmp_path: Path
    ) -> None:
        """The boundary at place 60 would come to the knife at 100 laid; at 90 it turns out to be 20 columns nearer."""
        node = rig(tmp_path, line_profile())
        with node.journal.transaction() as db:
            db.execute("UPDATE state SET knife_armed = 1")
        node.run_columns(90)
        node.studio.calibration = Calibration(head_to_knife_mm=10.0)
        node.fetch()
        node.run_columns(60)
        told = [(cut.paper_position, cut.made, cut.why) for cut in node.entries(StripCut)]
        assert told == [(0, True, None), (60, False, "passed"), (120, True, None)]
        assert node.journal.state().knife_armed and node.paper().cuts["place"].tolist() == [0, 120]


@dataclass
class SerialRig(Rig):
    """A node whose machine is behind a serial line, with a controller that loses part of the paper's way."""

    slip_share: float = 0.0
    bench: Bench | None = None

    def _open(self, profile: Profile, run: RunWork, calibration: Calibration) -> SerialMachine:  # type: ignore[override]
        if self.bench is None:
            self.bench = Bench(profile)
            make = Make.of(profile, slip=self.slip_share)
            self.bench.controller = Controller(make, self.bench.memory, self.bench.paper)
            self.bench.wire = EmulatedWire(self.bench.controller, None)
        bench = self.bench
        return SerialMachine(lambda: BenchPort(bench), profile, run.nozzle_seed, bench, calibration=calibration)

    def error_mm(self) -> float:
        """Of the paper under the head now, as the controller's idler has it."""
        assert self.bench is not None
        profile, memory = self.studio.profile, self.bench.memory
        counts = self.bench.controller.machine.make.counts
        assert counts is not None
        return (memory.encoder / float(counts) - memory.standing) * profile.column_pitch_mm


@pytest.mark.parametrize("make", [line_profile, carriage_profile])
@pytest.mark.parametrize("calibrated", [False, True])
def test_over_a_serial_line_it_is_the_same(tmp_path: Path, make: Any, calibrated: bool) -> None:
    """Half a percent of 120 mm is 0.6 mm: measured and put right, or never there as the feed was measured before."""
    profile, clock = measured(make), HandClock()
    studio = make_studio(clock, profile=profile, columns=240)
    studio.plate = half_blank(profile)
    studio.calibration = Calibration(feed_factor=0.995) if calibrated else None
    node = SerialRig(tmp_path, studio, clock, columns_per_commit=16, slip_share=0.005)
    node.fetch()
    node.run_columns(280)
    assert node.bench is not None
    assert len(node.bench.paper.laid) == 240
    assert abs(node.error_mm()) < 2.1 * STEP_MM
    corrections = sum(b" correct " in line for line in node.bench.written)
    assert (corrections == 0) == calibrated
    assert sum(b" scale " in line for line in node.bench.written) == calibrated


# In words.


@pytest.mark.parametrize(
    ("track", "mean_turn_s", "said"),
    [
        (SlipState(zero_mm=None, said_mm=0.0), 86400.0, "not measured yet"),
        (SlipState(zero_mm=0.1, said_mm=0.0), 86400.0, "none: the paper is where it belongs, to within 0.5 mm"),
        (SlipState(zero_mm=0.1, said_mm=-0.6), 86400.0, "0.60 mm behind (144 s, 0.60 degrees) when last reported"),
        (SlipState(zero_mm=0.1, said_mm=0.6), None, "0.60 mm ahead when last reported"),
    ],
)
def test_a_person_beside_the_machine_reads_it(track: SlipState, mean_turn_s: float | None, said: str) -> None:
    """The 360 mm of a turn are a day and 360 degrees: a millimetre is four minutes, and a degree."""
    assert in_words(track, measured(slip_threshold_mm=0.5), mean_turn_s).startswith(said)
    assert in_words(track, line_profile(), mean_turn_s) == "", "without an encoder nobody knows"


def test_status_and_panel_tell_it(tmp_path: Path) -> None:
    node = rig(tmp_path, measured(), Jump(at=utc(NOON + 3600.0), mm=-2.0), blank=False)
    assert "slip        not measured yet" in status.gather(tmp_path, node.journal, node.clock).as_text()
    node.run_columns(60)
    (*_, last) = node.entries(SlipMeasured)
    words = f"{abs(last.slip_mm):.2f} mm behind"
    assert words in status.gather(tmp_path, node.journal, node.clock).slip
    assert words in dict(panel.gather(node.journal, None).lines)["Slip of the paper"]
