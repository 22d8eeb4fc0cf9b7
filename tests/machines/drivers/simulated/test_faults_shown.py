"""Each fault of a simulated machine shows where a real one's would: on its paper, in its words, in its refusals."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from machines.clock import utc
from machines.drivers import MachineStopped
from machines.drivers.simulated.faults import (
    BladeWear,
    DeadNozzles,
    Fault,
    FaultPlan,
    InkEnd,
    Jam,
    Jump,
    PaperEnd,
    Slip,
    SlowFeed,
)
from machines.drivers.simulated.machine import SimulatedMachine
from machines.drivers.simulated.paper import RAGGED, read_paper
from machines.model.calibration import Calibration
from machines.model.head import lost_share, plan
from machines.model.profile import CarriageHead, Profile
from tests.machines.node.relay import carriage_profile, line_profile
from tests.machines.node.rig import NOON, HandClock


class Bench:
    """A machine whose faults can be changed, as a person would."""

    def __init__(self, folder: Path, profile: Profile | None = None, *faults: Fault, **options: Any) -> None:
        self.folder = folder
        self.profile = profile or line_profile()
        self.clock = HandClock()
        self.plan = FaultPlan(faults=faults)
        self._options = options
        self.start()

    def start(self) -> None:
        self.machine = SimulatedMachine(
            self.folder, self.profile, 3, self.clock, faults=lambda: self.plan, **self._options
        )

    def lay(self, place: int, dots: np.ndarray, pieces: int = 1) -> None:
        for index, piece in enumerate(np.array_split(dots, pieces, axis=1)):
            offset = sum(one.shape[1] for one in np.array_split(dots, pieces, axis=1)[:index])
            self.machine.lay(place + offset, piece, place + offset)

    def clear(self, kind: Any) -> None:
        self.plan = self.plan.clear(kind, self.clock.now())


def random_dots(columns: int, rows: int = 40, share: float = 0.5) -> np.ndarray:
    return np.random.default_rng(1).random((rows, columns)) < share


ENDS = [(Jam, "media-jam-error"), (PaperEnd, "media-empty-error"), (InkEnd, "marker-supply-empty-error")]


@pytest.mark.parametrize(("fault", "keyword"), ENDS)
def test_it_stands_still_until_a_person_has_seen_to_it(tmp_path: Path, fault: Any, keyword: str) -> None:
    bench = Bench(tmp_path, None, fault(at=utc(NOON + 60)))
    bench.lay(0, random_dots(45))
    assert bench.machine.conditions() == ()
    bench.clock.at += 60
    assert bench.machine.conditions() == (keyword,)
    for order in (
        lambda: bench.lay(45, random_dots(1)),
        lambda: bench.machine.cut(5),
        lambda: bench.machine.correct(0.1),
    ):
        with pytest.raises(MachineStopped) as stopped:
            order()
        assert stopped.value.keywords == (keyword,)
    assert len(read_paper(tmp_path).laid) == 45
    assert not read_paper(tmp_path).refused.size
    bench.clear(fault.__dataclass_fields__["kind"].default)
    assert bench.machine.conditions() == ()
    bench.lay(45, random_dots(1))
    bench.machine.cut(6)
    assert len(read_paper(tmp_path).laid) == 46


def test_of_paper_that_slips_the_dots_lie_where_it_really_was(tmp_path: Path) -> None:
    """Of 1 % slip, a hundred columns lie on the length of 99; the log keeps both."""
    bench = Bench(tmp_path, None, Slip(at=utc(NOON), share=0.01))
    dots = random_dots(1001)
    bench.lay(0, dots, pieces=7)
    paper = read_paper(tmp_path)
    assert paper.laid["place"].tolist() == list(range(1001))
    assert paper.true_places == pytest.approx(np.arange(1001) * 0.99)
    for ordered in (0, 10, 700, 1000):
        where = round(ordered * 0.99)
        assert (paper.dots[:, where] >= dots[:, ordered]).all()
    assert not paper.dots[:, 991:].any(), "the last column lies at 990"


def test_where_two_columns_fall_on_one_both_show(tmp_path: Path) -> None:
    bench = Bench(tmp_path, None, Slip(at=utc(NOON), share=0.5))
    dots = np.zeros((40, 4), dtype=np.bool_)
    dots[range(4), range(4)] = True
    bench.lay(0, dots[:, :3], pieces=3)
    assert np.argwhere(read_paper(tmp_path).dots.T).tolist() == [[0, 0], [0, 1], [1, 2]]


def test_a_slip_begins_when_it_begins_and_ends_when_it_is_put_right(tmp_path: Path) -> None:
    bench = Bench(tmp_path, None, Slip(at=utc(NOON + 10), share=0.1))
    bench.lay(0, random_dots(11))
    bench.clock.at += 10
    bench.lay(11, random_dots(10))
    bench.clear("slip")
    bench.clock.at += 10
    bench.lay(21, random_dots(10))
    true_places = read_paper(tmp_path).true_places
    assert true_places[10] == 10.0
    assert true_places[20] == pytest.approx(19.0)
    assert true_places[30] == pytest.approx(29.0), "what has slipped stays slipped"


def test_a_jump_comes_once_and_stays(tmp_path: Path) -> None:
    """A column is half a millimetre."""
    bench = Bench(tmp_path, None, Jump(at=utc(NOON + 10), mm=1.0), Jump(at=utc(NOON + 20), mm=-2.0))
    bench.lay(0, random_dots(10))
    bench.clock.at += 10
    bench.lay(10, random_dots(10))
    bench.clock.at += 10
    bench.lay(20, random_dots(10))
    bench.lay(30, random_dots(10))
    offsets = read_paper(tmp_path).true_places - np.arange(40)
    assert offsets[:10].tolist() == [0.0] * 10
    assert offsets[10:20].tolist() == [2.0] * 10
    assert offsets[20:24].tolist() == [1.0, 0.0, -1.0, -2.0], "held back: it stands still, it does not go back"
    assert offsets[24:].tolist() == [-2.0] * 16


def test_after_a_new_start_the_paper_is_where_it_was_and_a_jump_does_not_come_again(tmp_path: Path) -> None:
    bench = Bench(tmp_path, None, Jump(at=utc(NOON), mm=1.0), Slip(at=utc(NOON), share=0.1))
    bench.lay(0, random_dots(11))
    bench.start()
    bench.lay(11, random_dots(10))
    assert read_paper(tmp_path).true_places == pytest.approx(2.0 + 0.9 * np.arange(21))


def test_without_faults_nothing_is_written_but_the_paper_as_ever(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.lay(0, random_dots(50))
    bench.machine.cut(10)
    bench.machine.close()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["paper.dots", "paper.json", "paper.ledger", "paper.png"]
    assert (tmp_path / "paper.ledger").stat().st_size == 51 * 32
    assert read_paper(tmp_path).true_places.tolist() == list(range(50))


@pytest.mark.parametrize("passes", [2, 3])
@pytest.mark.parametrize("dead", [(5,), (0, 5, 7), (0, 1, 2)])
def test_dead_nozzles_lose_the_dots_that_the_heads_plan_says(
    tmp_path: Path, passes: int, dead: tuple[int, ...]
) -> None:
    head = CarriageHead(nozzles=12, passes=passes, drop_pl=1.0)
    bench = Bench(tmp_path, carriage_profile(head=head), DeadNozzles(at=utc(NOON + 10), nozzles=dead))
    dots = random_dots(64)
    bench.lay(0, dots, pieces=4)
    bench.clock.at += 10
    bench.lay(64, dots, pieces=4)
    on_paper = read_paper(tmp_path).dots
    assert np.array_equal(on_paper[:, :64], dots), "they are not dead yet"
    assert np.array_equal(on_paper[:, 64:], plan(dots, 64, head, 3).laid(dead))


def test_three_dead_of_twelve_at_three_passes_lose_one_dot_in_220(tmp_path: Path) -> None:
    """Print arithmetic of common practice, no source: 3C3/12C3 = 1/220."""
    head = CarriageHead(nozzles=12, passes=3, drop_pl=1.0)
    profile = carriage_profile(head=head, dots_across=1000, columns_per_turn=2000)
    bench = Bench(tmp_path, profile, DeadNozzles(at=utc(NOON), nozzles=(0, 4, 5)))
    dots = np.ones((1000, 1500), dtype=np.bool_)
    bench.lay(0, dots)
    lost = 1.0 - read_paper(tmp_path).dots.mean()
    assert lost_share(12, 3, 3) == pytest.approx(1 / 220)
    assert lost == pytest.approx(1 / 220, abs=0.006 / 220 + 4.5 * np.sqrt(1 / 220 / dots.size))


def test_of_a_line_head_a_dead_dot_is_a_line_along_the_paper(tmp_path: Path) -> None:
    bench = Bench(tmp_path, None, DeadNozzles(at=utc(NOON), nozzles=(7, 39, 40)))
    dots = np.ones((40, 20), dtype=np.bool_)
    bench.lay(0, dots)
    dots[[7, 39]] = False
    assert np.array_equal(read_paper(tmp_path).dots, dots)


def test_a_blade_cuts_cleanly_then_raggedly_then_not_at_all(tmp_path: Path) -> None:
    bench = Bench(tmp_path, None, BladeWear(at=utc(NOON), clean_cuts=2, cuts=3))
    said, cuts = [], 0
    for place in range(4):
        bench.lay(40 + place if place else 0, random_dots(1 if place else 41))
        said.append(bench.machine.conditions())
        try:
            bench.machine.cut(place + 1)
            cuts += 1
        except MachineStopped as stopped:
            assert stopped.keywords == ("separation-cutter-life-over-error",)
    paper = read_paper(tmp_path)
    assert cuts == 3
    assert paper.cuts["place"].tolist() == [1, 2, 3]
    assert (paper.cuts["kind"] == RAGGED).tolist() == [False, False, True]
    dull, worn = "separation-cutter-life-almost-over-warning", "separation-cutter-life-over-warning"
    assert said == [(), (), (dull,), (worn,)]
    bench.clock.at += 1
    bench.clear("blade-wear")
    assert bench.machine.conditions() == ()
    bench.lay(44, random_dots(1))
    bench.machine.cut(5)
    assert read_paper(tmp_path).cuts["kind"][-1] != RAGGED


def test_a_blade_is_as_worn_after_a_new_start(tmp_path: Path) -> None:
    bench = Bench(tmp_path, None, BladeWear(at=utc(NOON), clean_cuts=1, cuts=1))
    bench.lay(0, random_dots(50))
    bench.machine.cut(10)
    bench.start()
    with pytest.raises(MachineStopped):
        bench.machine.cut(11)


def test_a_cut_falls_where_the_paper_really_is(tmp_path: Path) -> None:
    """The knife is 40 columns of paper beyond the head, whatever was ordered: the slip of 10 % in between moves it."""
    bench = Bench(tmp_path, None, Slip(at=utc(NOON), share=0.1))
    bench.lay(0, random_dots(50))
    bench.machine.cut(10)
    paper = read_paper(tmp_path)
    assert paper.cuts["place"].tolist() == [10]
    assert paper.true_cuts == pytest.approx([50 * 0.9 - 40])


def test_the_picture_of_the_paper_shows_the_slip(tmp_path: Path) -> None:
    bench = Bench(tmp_path, line_profile(travel="left"), Slip(at=utc(NOON), share=0.2))
    dots = np.zeros((40, 51), dtype=np.bool_)
    dots[:, 50] = True
    bench.lay(0, dots)
    bench.machine.close()
    with Image.open(tmp_path / "paper.png") as image:
        black = np.flatnonzero(~np.asarray(image).all(axis=0))
    assert black.tolist() == [40]


class TestCalibration:
    def test_known_dead_nozzles_are_left_out_and_the_picture_is_whole(self, tmp_path: Path) -> None:
        dead = (0, 3, 4, 9)
        faults = DeadNozzles(at=utc(NOON), nozzles=dead)
        dots = random_dots(320)
        ignorant = Bench(tmp_path / "a", carriage_profile(), faults)
        ignorant.lay(0, dots)
        assert not np.array_equal(read_paper(tmp_path / "a").dots, dots)
        knowing = Bench(tmp_path / "b", carriage_profile(), faults, calibration=Calibration(dead_nozzles=dead))
        knowing.lay(0, dots)
        assert np.array_equal(read_paper(tmp_path / "b").dots, dots)

    @pytest.mark.parametrize("factor", [0.995, 1.01, 0.9])
    def test_the_measured_feed_makes_up_for_a_slow_one(self, tmp_path: Path, factor: float) -> None:
        """The ruler that was printed at this factor measured just as much too short or too long."""
        fault = SlowFeed(at=utc(NOON), factor=factor)
        ruler = Bench(tmp_path / "ruler", None, fault)
        ruler.lay(0, random_dots(401))
        measured = float(read_paper(tmp_path / "ruler").true_places[-1]) / 400.0
        calibrated = Bench(tmp_path / "run", None, fault, calibration=Calibration(feed_factor=measured))
        calibrated.lay(0, random_dots(2001), pieces=9)
        assert read_paper(tmp_path / "run").true_places == pytest.approx(np.arange(2001), abs=1e-9)

    def test_one_of_another_machine_is_refused(self, tmp_path: Path) -> None:
        with pytest.raises(ValueError, match="dead_nozzles"):
            Bench(tmp_path, carriage_profile(), calibration=Calibration(dead_nozzles=(12,)))


class TestEncoder:
    def test_without_one_nothing_is_measured(self, tmp_path: Path) -> None:
        bench = Bench(tmp_path)
        bench.lay(0, random_dots(10))
        assert bench.machine.feed() is None

    def test_it_counts_the_paper_not_the_motor(self, tmp_path: Path) -> None:
        bench = Bench(tmp_path, line_profile(encoder_pitch_mm=0.03), Slip(at=utc(NOON), share=0.1))
        bench.lay(0, random_dots(101))
        feed = bench.machine.feed()
        assert feed is not None
        assert feed.place == 100
        true_mm = 90 * 0.5
        assert true_mm - 0.03 < feed.measured_mm <= true_mm + 1e-9
        assert (feed.measured_mm / 0.03) == pytest.approx(round(feed.measured_mm / 0.03))

    def test_it_sees_a_jump_at_once(self, tmp_path: Path) -> None:
        bench = Bench(tmp_path, line_profile(encoder_pitch_mm=0.05), Jump(at=utc(NOON + 10), mm=3.0))
        bench.lay(0, random_dots(11))
        bench.clock.at += 10
        feed = bench.machine.feed()
        assert feed is not None
        assert feed.measured_mm == pytest.approx(8.0)

    @pytest.mark.parametrize("mm", [0.3, -0.3])
    def test_a_correction_moves_what_comes_after_it(self, tmp_path: Path, mm: float) -> None:
        bench = Bench(tmp_path, line_profile(encoder_pitch_mm=0.05))
        bench.lay(0, random_dots(10))
        assert bench.machine.correct(mm) == mm
        bench.lay(10, random_dots(10))
        offsets = read_paper(tmp_path).true_places - np.arange(20)
        assert offsets[:10].tolist() == [0.0] * 10
        assert offsets[10:] == pytest.approx([2.0 * mm] * 10)

    def test_a_correction_slips_like_any_other_feed(self, tmp_path: Path) -> None:
        bench = Bench(tmp_path, line_profile(encoder_pitch_mm=0.05), Slip(at=utc(NOON), share=0.5))
        bench.machine.correct(1.0)
        bench.lay(0, random_dots(1))
        assert read_paper(tmp_path).true_places.tolist() == [1.0]
