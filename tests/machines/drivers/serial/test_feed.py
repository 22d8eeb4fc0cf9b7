"""How far the paper went, over the serial line: measured, corrected, scaled; and controllers that can none of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from machines.drivers import MachineStopped
from machines.drivers.emulated.controller import Controller
from machines.drivers.emulated.head import Make
from machines.drivers.emulated.wire import EmulatedWire
from machines.drivers.serial.machine import SerialMachine
from machines.errors import InputError
from machines.model.calibration import Calibration
from machines.model.head import plan
from machines.model.profile import Profile
from tests.machines.drivers.serial.bench import SEED, Bench, BenchPort, profile

PITCH_MM = 0.1


def measured(of: Profile | None = None) -> Profile:
    """The bench's machine with an encoder of 25 counts a column."""
    return replace(of or profile(), encoder_pitch_mm=0.004)


def bench_of(of: Profile, **made: object) -> Bench:
    """A bench whose controller is made otherwise."""
    bench = Bench(of)
    bench.controller = Controller(replace(Make.of(of), **made), bench.memory, bench.paper)  # type: ignore[arg-type]
    bench.wire = EmulatedWire(bench.controller, None)
    return bench


def machine_of(bench: Bench, calibration: Calibration) -> SerialMachine:
    return SerialMachine(lambda: BenchPort(bench), bench.profile, SEED, bench, calibration=calibration)


def lay(machine: SerialMachine, of: Profile, place: int, columns: int) -> None:
    machine.lay(place, np.ones((of.dots_across, columns), dtype=np.bool_), place)


def slip_mm(machine: SerialMachine) -> float:
    feed = machine.feed()
    assert feed is not None
    return feed.measured_mm - feed.place * PITCH_MM


@pytest.mark.parametrize("carriage", [True, False])
@pytest.mark.parametrize("slip", [0.0, 0.005, 0.2])
def test_the_slip_is_what_the_encoder_misses(carriage: bool, slip: float) -> None:
    of = measured(profile(carriage=carriage))
    bench = bench_of(of, slip=slip)
    machine = bench.machine()
    for place in range(0, 300, 50):
        lay(machine, of, place, 50)
    feed = machine.feed()
    assert feed is not None
    assert feed.place == 299 + (3 if carriage else 0), "a carriage head's last nozzle passes the last column"
    assert feed.measured_mm == pytest.approx(feed.place * PITCH_MM * (1 - slip), abs=0.004)


def test_before_the_first_order_of_a_session_nobody_knows() -> None:
    of = measured()
    bench = bench_of(of)
    machine = bench.machine()
    assert machine.feed() is None
    lay(machine, of, 0, 3)
    assert machine.feed() is not None
    bench.controller.restart()
    machine.conditions()
    assert machine.feed() is None


def test_a_cut_moves_the_paper_and_is_followed() -> None:
    of = measured()
    bench = bench_of(of)
    machine = bench.machine()
    lay(machine, of, 0, 10)
    machine.arm()
    machine.cut(8)
    feed = machine.feed()
    assert feed is not None
    assert feed.place == 8 + of.knife_columns
    assert slip_mm(machine) == pytest.approx(0.0, abs=0.004)


@pytest.mark.parametrize("made", [{"counts": None}, {"fine_nm": None, "counts": None}])
def test_a_controller_without_an_encoder_measures_nothing_and_prints(made: dict[str, None]) -> None:
    of = measured()
    bench = bench_of(of, **made)
    machine = bench.machine()
    lay(machine, of, 0, 5)
    assert machine.feed() is None
    assert machine.standing().under_head is None
    assert len(bench.paper.laid) == 5


def test_an_encoder_that_the_profile_does_not_know_is_not_relied_on() -> None:
    bench = Bench(profile())
    machine = bench.machine()
    lay(machine, bench.profile, 0, 5)
    assert machine.feed() is None


def test_an_encoder_of_another_make_is_refused() -> None:
    bench = bench_of(replace(profile(), encoder_pitch_mm=0.005))
    bench.machine()
    other = bench_of(measured(), counts=Make.of(replace(profile(), encoder_pitch_mm=0.005)).counts)
    with pytest.raises(InputError, match="encoder_pitch_mm"):
        other.machine()


@pytest.mark.parametrize("carriage", [True, False])
@pytest.mark.parametrize("mm", [0.03, -0.03])
def test_a_correction_comes_with_the_next_motion(carriage: bool, mm: float) -> None:
    of = measured(profile(carriage=carriage))
    bench = bench_of(of)
    machine = bench.machine()
    lay(machine, of, 0, 10)
    assert machine.correct(mm) == pytest.approx(mm)
    assert slip_mm(machine) == pytest.approx(0.0, abs=0.004)
    lay(machine, of, 10, 10)
    assert slip_mm(machine) == pytest.approx(mm, abs=0.004)
    lay(machine, of, 20, 10)
    assert slip_mm(machine) == pytest.approx(mm, abs=0.004), "once only"


def test_a_correction_is_made_in_whole_steps_of_the_motor() -> None:
    bench = bench_of(measured(), fine_nm=20_000)
    machine = bench.machine()
    assert machine.correct(0.05) == pytest.approx(0.04)
    assert machine.correct(-0.05) == pytest.approx(-0.04)
    assert machine.correct(0.019) == 0.0
    assert sum(b" correct " in line for line in bench.written) == 2


def test_a_controller_that_cannot_correct_is_never_told_to() -> None:
    bench = bench_of(measured(), fine_nm=None)
    machine = bench.machine()
    assert machine.correct(0.05) == 0.0
    assert not any(b" correct " in line for line in bench.written)


def test_the_calibrated_feed_makes_up_for_a_slow_one() -> None:
    """0.5 % is lost; one half per cent more is ordered, and the encoder finds the paper where it belongs."""
    of = measured()
    bench = bench_of(of, slip=0.005)
    machine = machine_of(bench, Calibration(feed_factor=0.995))
    for place in range(0, 1000, 100):
        lay(machine, of, place, 100)
    assert slip_mm(machine) == pytest.approx(0.0, abs=0.005)
    assert sum(b" scale 1005025 " in line for line in bench.written) == 1


def test_a_new_session_is_told_the_scale_anew() -> None:
    of = measured()
    bench = bench_of(of)
    machine = machine_of(bench, Calibration(feed_factor=0.9))
    lay(machine, of, 0, 5)
    bench.controller.restart()
    lay(machine, of, 5, 5)
    assert sum(b" scale 1111111 " in line for line in bench.written) == 2


def test_a_feed_that_needs_no_factor_is_told_none() -> None:
    bench = bench_of(measured())
    lay(machine_of(bench, Calibration()), bench.profile, 0, 5)
    assert not any(b" scale " in line for line in bench.written)


def test_a_controller_that_cannot_scale_as_was_measured_does_not_move_and_says_why(
    caplog: pytest.LogCaptureFixture,
) -> None:
    bench = bench_of(measured(), fine_nm=None)
    machine = machine_of(bench, Calibration(feed_factor=0.995))
    assert "steps per millimetre" in caplog.text
    assert machine.conditions()[-1] == "other-error"
    with pytest.raises(MachineStopped) as stopped:
        lay(machine, bench.profile, 0, 3)
    assert stopped.value.keywords == ("other-error",)
    assert bench.paper.laid == []


@pytest.mark.parametrize("knife_mm", [0.3, 0.5, 0.9])
def test_a_knife_that_was_measured_cuts_where_it_is(knife_mm: float) -> None:
    """The controller says 5 columns of a tenth of a millimetre; the rule says otherwise, and so the paper stands."""
    calibration = Calibration(head_to_knife_mm=knife_mm)
    of = calibration.applied_to(measured())
    bench = bench_of(measured())
    bench.profile = of
    machine = machine_of(bench, calibration)
    machine.arm()
    way = round(knife_mm / PITCH_MM)
    lay(machine, of, 0, way)
    machine.cut(0)
    feed = machine.feed()
    assert feed is not None and feed.place == way
    assert bench.memory.standing == way
    lay(machine, of, way, 10)
    machine.cut(10)
    assert bench.memory.standing == way + 10
    assert bench.paper.cuts == [way - 5, way + 5], "by the controller's own measure"
    with pytest.raises(MachineStopped):
        machine.cut(10)


def test_a_knife_that_was_not_measured_must_be_the_profiles() -> None:
    bench = bench_of(measured(), knife=7)
    with pytest.raises(InputError, match="head_to_knife_mm"):
        bench.machine()
    without = bench_of(measured(), knife=None)
    with pytest.raises(InputError, match="knife"):
        machine_of(without, Calibration(head_to_knife_mm=0.4))


def test_known_dead_nozzles_are_never_fired() -> None:
    of = measured()
    bench = bench_of(of)
    machine = machine_of(bench, Calibration(dead_nozzles=(0, 2)))
    dots = np.random.default_rng(1).random((of.dots_across, 12)) < 0.5
    machine.lay(0, dots, 70)
    assert of.head.kind == "carriage"
    assert np.array_equal(np.array([drops for _, _, drops in bench.paper.laid]).T, dots * of.head.passes)
    fired = {int(line.split(b" ")[4]) for line in bench.written if b" dots " in line}
    assert fired == {1, 3}
    assert plan(dots, 70, of.head, SEED, (0, 2)).drops().tolist()[0] == 0


@pytest.mark.parametrize(
    "order", ["correct 100000", "correct -100000", "correct 1.5", "scale 499999", "scale 2000001", "scale -1000000"]
)
def test_an_order_beyond_its_range_halts_the_controller(order: str) -> None:
    """A column is 100,000 nanometres."""
    bench = bench_of(measured())
    controller = bench.controller
    controller.receive(["hello", "a", "1", "1000"], 0.0)
    controller.answers()
    controller.receive(["do", "1", "1", *order.split(" ")], 0.0)
    controller.pass_time(0.0)
    assert [words[3] for words in controller.answers() if words[0] == "halted"] == ["order"]


def test_neither_is_done_within_a_burst() -> None:
    for order in ("correct 10", "scale 1000001"):
        controller = bench_of(measured()).controller
        controller.receive(["hello", "a", "1", "1000"], 0.0)
        controller.receive(["do", "1", "1", "burst", "0", "2", "70"], 0.0)
        controller.receive(["do", "1", "2", *order.split(" ")], 0.0)
        controller.pass_time(0.0)
        assert [words[3] for words in controller.answers() if words[0] == "halted"] == ["order"]
