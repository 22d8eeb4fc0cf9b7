"""The driver over a good wire, in a bench's own time: what it lays, when it stops, and what it says."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from random import Random

import numpy as np
import pytest

from machines.drivers import MachineStopped
from machines.drivers.serial.machine import PaperPosition, SerialMachine
from machines.drivers.serial.transport import Limits
from machines.errors import InputError
from machines.model.profile import CarriageHead, Profile
from tests.machines.drivers.serial.bench import SEED, Bench, BenchPort, complaints, lay_bursts, profile

DISARMED = "separation-cutter-offline-warning"
HEADS = pytest.mark.parametrize("carriage", [True, False])


def full(of: Profile, columns: int) -> np.ndarray:
    return np.ones((of.dots_across, columns), dtype=np.bool_)


@HEADS
def test_lays_what_was_ordered(carriage: bool) -> None:
    bench = Bench(profile(carriage=carriage))
    machine = bench.machine()
    ordered = lay_bursts(machine, bench.profile, 10, Random(1))
    assert all(burst.said_done for burst in ordered)
    assert complaints(bench.paper, bench.profile, ordered) == []
    assert bench.controller.machine.capped, "the head rests capped between bursts"


@HEADS
def test_a_long_motion_does_not_wake_the_watchdog(carriage: bool) -> None:
    bench = Bench(profile(carriage=carriage), step_s=7.0)
    machine = bench.machine(Limits(watchdog_s=2.0))
    machine.lay(0, full(bench.profile, 3), 0)
    assert len(bench.paper.laid) == 3
    assert bench.time_s == pytest.approx(7.0 * (6 if carriage else 3))


def test_dots_of_another_height_are_refused() -> None:
    bench = Bench(profile())
    with pytest.raises(ValueError, match="23 dots in a column of 24"):
        bench.machine().lay(0, np.ones((23, 1), dtype=np.bool_), 0)


def test_nothing_is_laid_over_what_lies_there() -> None:
    bench = Bench(profile())
    machine = bench.machine()
    machine.lay(10, full(bench.profile, 3), 0)
    for place in (0, 9, 10, 12):
        with pytest.raises(MachineStopped) as stop:
            machine.lay(place, full(bench.profile, 1), 0)
        assert stop.value.keywords == ("other-error",)
        assert not any(f"burst {place} ".encode() in octets for octets in bench.written[5:]), "it was not even sent"
    machine.lay(13, full(bench.profile, 1), 3)
    assert [place for place, _, _ in bench.paper.laid] == [10, 11, 12, 13]


def test_the_controller_itself_lays_nothing_over_what_lies_there() -> None:
    bench = Bench(profile())
    machine = bench.machine()
    machine.lay(10, full(bench.profile, 3), 0)
    machine._controller.end = 0  # a node that has lost its wits
    with pytest.raises(MachineStopped) as stop:
        machine.lay(12, full(bench.profile, 1), 0)
    assert stop.value.keywords == ("other-error",)
    assert len(bench.paper.laid) == 3


class TestKnife:
    def test_cuts_only_after_a_person_armed_it(self) -> None:
        bench = Bench(profile())
        machine = bench.machine()
        machine.lay(0, full(bench.profile, 8), 0)
        assert machine.conditions() == (DISARMED,)
        with pytest.raises(MachineStopped) as stop:
            machine.cut(3)
        assert stop.value.keywords == ("separation-cutter-offline-error",)
        assert bench.paper.cuts == []
        machine.arm()
        assert machine.conditions() == ()
        machine.cut(3)
        assert bench.paper.cuts == [3]

    def test_is_not_made_twice_in_one_place(self) -> None:
        bench = Bench(profile())
        machine = bench.machine()
        machine.lay(0, full(bench.profile, 8), 0)
        machine.arm()
        machine.cut(3)
        with pytest.raises(MachineStopped) as stop:
            machine.cut(3)
        assert stop.value.keywords == ("separation-cutter-unrecoverable-failure-error",)
        assert bench.paper.cuts == [3]

    def test_never_in_a_place_that_is_past_it(self) -> None:
        bench = Bench(profile())
        machine = bench.machine()
        machine.lay(0, full(bench.profile, 9), 0)
        machine.arm()
        with pytest.raises(MachineStopped):
            machine.cut(3)  # place 4 is under it
        assert bench.paper.cuts == []

    def test_a_cut_that_nobody_saw_done_is_not_repeated(self) -> None:
        bench = Bench(profile(), cut_s=1.0)
        machine = bench.machine()
        machine.lay(0, full(bench.profile, 8), 0)
        machine.arm()
        bench.at(bench.time_s + 0.5, lambda: setattr(bench.wire, "plugged", False))
        with pytest.raises(MachineStopped):
            machine.cut(3)
        assert bench.paper.cuts == [3]  # the controller went on to the end of its order
        bench.wire.plugged = True
        machine.arm()
        with pytest.raises(MachineStopped):
            machine.cut(3)
        assert bench.paper.cuts == [3]

    @pytest.mark.parametrize(
        "event",
        [
            lambda bench, machine: bench.controller.restart(),
            lambda bench, machine: bench.controller.raise_condition("cover-open-error"),
            lambda bench, machine: bench.sleep(2.1),
            lambda bench, machine: machine.close(),
            lambda bench, machine: bench.machine(),
        ],
        ids=["controller restarts", "cover opens", "node is silent", "node ends", "another node"],
    )
    def test_is_disarmed_by_whatever_happens(self, event: Callable[[Bench, SerialMachine], object]) -> None:
        bench = Bench(profile())
        machine = bench.machine()
        machine.lay(0, full(bench.profile, 8), 0)
        machine.arm()
        event(bench, machine)
        assert not bench.controller.machine.armed
        bench.controller.clear_condition("cover-open-error")
        with pytest.raises(MachineStopped):
            machine.cut(3)
        assert DISARMED in machine.conditions()
        assert bench.paper.cuts == []

    def test_cannot_be_armed_while_a_cover_is_open(self) -> None:
        bench = Bench(profile())
        machine = bench.machine()
        bench.controller.raise_condition("cover-open-error")
        with pytest.raises(MachineStopped) as stop:
            machine.arm()
        assert stop.value.keywords == ("cover-open-error",)
        assert not bench.controller.machine.armed

    def test_a_machine_without_one_cannot_be_armed(self) -> None:
        bench = Bench(profile(knife=False))
        machine = bench.machine()
        assert machine.conditions() == ()
        with pytest.raises(MachineStopped) as stop:
            machine.arm()
        assert stop.value.keywords == ("separation-cutter-missing-error",)


class TestConditions:
    @pytest.mark.parametrize(
        "keyword", ["cover-open-error", "interlock-open-error", "media-jam-error", "media-path-failure-error", "other"]
    )
    @HEADS
    def test_a_grave_one_stops_the_motion(self, carriage: bool, keyword: str) -> None:
        bench = Bench(profile(carriage=carriage, knife=False), step_s=1.0)
        machine = bench.machine()
        bench.at(1.5, lambda: bench.controller.raise_condition(keyword))
        with pytest.raises(MachineStopped) as stop:
            machine.lay(0, full(bench.profile, 5), 0)
        assert stop.value.keywords == (keyword,)
        assert bench.time_s == pytest.approx(1.5), "said at once, without being asked"
        assert bench.controller.machine.memory.standing == 0, "the second step was broken off"
        assert bench.controller.machine.capped and not bench.controller.moving
        assert machine.conditions() == (keyword,)

    def test_nothing_moves_while_it_lasts_nor_because_it_is_over(self) -> None:
        bench = Bench(profile(knife=False))
        machine = bench.machine()
        bench.controller.raise_condition("media-empty-error")
        with pytest.raises(MachineStopped) as stop:
            machine.lay(0, full(bench.profile, 1), 0)
        assert stop.value.keywords == ("media-empty-error",)
        bench.controller.clear_condition("media-empty-error")
        bench.sleep(1.0)
        assert bench.paper.laid == []
        assert machine.conditions() == ()
        machine.lay(0, full(bench.profile, 1), 0)
        assert len(bench.paper.laid) == 1

    def test_a_warning_stops_nothing(self) -> None:
        bench = Bench(profile(knife=False), step_s=1.0)
        machine = bench.machine()
        bench.at(1.5, lambda: bench.controller.raise_condition("marker-supply-low-warning"))
        machine.lay(0, full(bench.profile, 5), 0)
        assert machine.conditions() == ("marker-supply-low-warning",)

    def test_the_gravest_comes_first(self) -> None:
        bench = Bench(profile())
        for keyword in ("media-low-warning", "marker-supply-low-warning", "cover-open-error"):
            bench.controller.raise_condition(keyword)
        assert bench.machine().conditions()[0] == "cover-open-error"

    def test_each_question_gets_its_own_answer(self) -> None:
        bench = Bench(profile(knife=False))
        machine = bench.machine()
        for keyword in ("media-low-warning", "marker-supply-low-warning"):
            bench.controller.raise_condition(keyword)
            assert machine.conditions() == (keyword,)
            bench.controller.clear_condition(keyword)
            assert machine.conditions() == ()


class TestHungLink:
    @HEADS
    def test_stops_the_motion_within_the_watchdog(self, carriage: bool) -> None:
        bench = Bench(profile(carriage=carriage), step_s=1.0)
        machine = bench.machine(Limits(watchdog_s=1.2, answer_s=0.25))
        machine.lay(0, full(bench.profile, 1), 0)
        machine.arm()
        began = bench.time_s
        bench.at(began + 1.5, lambda: setattr(bench.wire, "plugged", False))
        with pytest.raises(MachineStopped) as stop:
            machine.lay(1, full(bench.profile, 20), 1)
        assert stop.value.keywords == ("timed-out-error",)
        assert bench.time_s <= began + 1.5 + 8 * 0.25, "the node gives up after its tries"
        bench.sleep(5.0)
        # Last heard at 1.5 s or a little before, so halted by 2.7 s: the third step would have ended at 3 s.
        assert bench.memory.standing == 2, "from place 1 on, two steps were done"
        assert not bench.controller.moving
        assert bench.controller.machine.capped and not bench.controller.machine.armed

    def test_is_found_again(self) -> None:
        bench = Bench(profile())
        machine = bench.machine()
        bench.wire.plugged = False
        assert machine.conditions() == ("connecting-to-device-error",)
        with pytest.raises(MachineStopped) as stop:
            machine.lay(0, full(bench.profile, 1), 0)
        assert stop.value.keywords == ("connecting-to-device-error",)
        bench.wire.plugged = True
        assert machine.conditions() == (DISARMED,)
        machine.lay(0, full(bench.profile, 1), 0)

    def test_from_the_beginning_is_a_condition_and_no_crash(self) -> None:
        bench = Bench(profile())
        bench.wire.plugged = False
        machine = bench.machine()
        assert machine.conditions() == ("connecting-to-device-error",)
        machine.close()

    def test_a_device_that_is_not_there_is_a_condition(self) -> None:
        def open_port() -> BenchPort:
            raise FileNotFoundError("no such device")

        bench = Bench(profile())
        machine = SerialMachine(open_port, bench.profile, SEED, bench)
        assert machine.conditions() == ("connecting-to-device-error",)

    def test_a_device_that_is_taken_away_is_one_too(self) -> None:
        class Torn(BenchPort):
            def write(self, octets: bytes) -> None:
                if bench.time_s > 2.5:
                    raise OSError("gone")
                super().write(octets)

        bench = Bench(profile(), step_s=1.0)
        machine = SerialMachine(lambda: Torn(bench), bench.profile, SEED, bench)
        with pytest.raises(MachineStopped) as stop:
            machine.lay(0, full(bench.profile, 20), 0)
        assert stop.value.keywords == ("timed-out-error",)
        assert machine.conditions() == ("connecting-to-device-error",)

    def test_a_controller_that_answers_but_does_not_get_on_is_given_up(self) -> None:
        bench = Bench(profile(), step_s=1e6)
        machine = bench.machine(Limits(order_s=30.0))
        with pytest.raises(MachineStopped) as stop:
            machine.lay(0, full(bench.profile, 1), 0)
        assert stop.value.keywords == ("timed-out-error",)
        assert 30.0 <= bench.time_s <= 31.0
        bench.sleep(0.0)
        assert bench.controller.machine.capped, "the node said stop"


class TestStop:
    def test_in_the_middle_of_a_burst(self) -> None:
        bench = Bench(profile(), step_s=1.0)
        machine = bench.machine()
        bench.at(2.5, machine.halt)
        with pytest.raises(MachineStopped) as stop:
            machine.lay(0, full(bench.profile, 20), 0)
        assert stop.value.keywords == ("paused",)
        assert 2.5 <= bench.time_s <= 2.8
        assert bench.controller.machine.capped and not bench.controller.moving

    def test_at_the_end(self) -> None:
        bench = Bench(profile())
        machine = bench.machine()
        machine.arm()
        machine.close()
        assert bench.written[-1].startswith(b"stop ")
        assert not bench.controller.machine.armed
        machine.close()  # twice does no harm

    def test_at_the_end_of_a_dead_wire(self, caplog: pytest.LogCaptureFixture) -> None:
        bench = Bench(profile())
        machine = bench.machine()
        machine.arm()
        bench.wire.plugged = False
        machine.close()
        assert bench.written[-1].startswith(b"stop ")
        assert "no word that the machine stands still" in caplog.text
        bench.sleep(10.0)  # the controller's watchdog does what nobody could tell it
        assert not bench.controller.machine.armed


class TestRestart:
    @HEADS
    def test_of_the_controller_in_the_middle_is_seen(self, carriage: bool) -> None:
        bench = Bench(profile(carriage=carriage), step_s=1.0)
        machine = bench.machine()
        bench.at(2.5, bench.controller.restart)
        with pytest.raises(MachineStopped) as stop:
            machine.lay(0, full(bench.profile, 6), 0)
        assert stop.value.keywords == ("connecting-to-device-error",)
        assert bench.time_s <= 2.5 + 0.26
        laid = len(bench.paper.laid)
        assert laid == 2
        # It remembers that all six places were claimed, and which of them are whole.
        assert machine.standing().end == 6
        assert machine.standing().whole == (0 if carriage else 2)
        with pytest.raises(MachineStopped):
            machine.lay(0, full(bench.profile, 6), 0)
        machine.lay(6, full(bench.profile, 1), 6)
        assert len(bench.paper.laid) == laid + 1

    def test_of_the_controller_while_nothing_moves_is_seen(self, caplog: pytest.LogCaptureFixture) -> None:
        bench = Bench(profile())
        machine = bench.machine()
        machine.arm()
        bench.controller.restart()
        assert machine.conditions() == (DISARMED,)
        assert "halted (unknown)" in caplog.text

    @HEADS
    def test_of_the_node_in_the_middle_continues_from_the_controllers_place(self, carriage: bool) -> None:
        bench = Bench(profile(carriage=carriage), step_s=1.0)
        first = bench.machine()
        bench.at(2.5, lambda: (_ for _ in ()).throw(KeyboardInterrupt))  # as SIGKILL would: no word to the controller
        with pytest.raises(KeyboardInterrupt):
            first.lay(100, full(bench.profile, 6), 0)
        second = bench.machine()
        assert not bench.controller.moving, "a new node's greeting ends what the old one began"
        standing = second.standing()
        assert standing.end == 106
        assert standing.whole == (100 if carriage else 102)
        assert standing.end is not None
        second.lay(standing.end, full(bench.profile, 2), 6)
        assert [place for place, _, _ in bench.paper.laid] == [100, 101, 106, 107]

    def test_a_controller_whose_memory_went_back_is_not_trusted(self) -> None:
        bench = Bench(profile())
        machine = bench.machine()
        machine.lay(0, full(bench.profile, 6), 0)
        bench.controller.restart()
        bench.memory.end = 0
        assert machine.conditions() == ("other-error",)
        with pytest.raises(MachineStopped):
            machine.lay(6, full(bench.profile, 1), 0)

    def test_a_controller_that_lost_its_place_waits_for_a_person(self) -> None:
        bench = Bench(profile(knife=False))
        bench.memory.end = None
        machine = bench.machine()
        assert machine.conditions() == ("other-error",)
        assert machine.standing().end is None
        with pytest.raises(MachineStopped):
            machine.lay(70, full(bench.profile, 1), 0)
        assert machine.set_place(70)
        assert machine.conditions() == ()
        assert machine.standing() == PaperPosition(end=70, whole=70, under_head=70.0)
        machine.lay(70, full(bench.profile, 1), 0)
        assert not machine.set_place(0), "it knows better"
        assert machine.standing().end == 71


def test_the_encoder_tells_how_far_the_paper_went() -> None:
    bench = Bench(profile(carriage=False))
    bench.controller.machine.make = dataclasses.replace(bench.controller.machine.make, slip=0.1)
    machine = bench.machine()
    machine.lay(0, full(bench.profile, 101), 0)
    assert machine.standing() == PaperPosition(end=101, whole=101, under_head=90.0)


class TestTheWrongMachine:
    @pytest.mark.parametrize(
        ("change", "field"),
        [
            ({"dots_across": 32}, "dots_across"),
            ({"mm_per_turn": 100.5}, "mm_per_turn"),
            ({"knife": None}, "knife"),
            ({"head": CarriageHead(nozzles=5, passes=2, drop_pl=4.0)}, "head.nozzles"),
            ({"head": profile(carriage=False).head}, "head.kind"),
        ],
    )
    def test_is_refused_at_the_door(self, change: dict[str, object], field: str) -> None:
        bench = Bench(profile())
        bench.profile = dataclasses.replace(bench.profile, **change)  # type: ignore[arg-type]
        with pytest.raises(InputError) as refused:
            bench.machine()
        assert refused.value.field.startswith(field)
        assert "connect the machine of this profile" in refused.value.remedy

    def test_a_feed_that_cannot_go_back_is_no_feed_for_a_carriage(self) -> None:
        bench = Bench(profile())
        bench.controller.machine.make = dataclasses.replace(bench.controller.machine.make, reach=2)
        with pytest.raises(InputError, match="draw back 2 columns of paper, the head needs 3"):
            bench.machine()

    def test_a_controller_that_cannot_hold_a_full_column_is_none_for_a_line_head(self) -> None:
        bench = Bench(profile(carriage=False))
        make = bench.controller.machine.make
        bench.machine().lay(0, full(bench.profile, 1), 0)
        bench.controller.machine.make = dataclasses.replace(make, nozzles=make.nozzles - 1)
        with pytest.raises(InputError, match=f"hold {make.nozzles - 1} strobes of a column, .* has {make.nozzles};"):
            bench.machine()

    def test_plugged_in_later_is_a_condition(self) -> None:
        bench = Bench(profile())
        machine = bench.machine()
        bench.controller.machine.make = dataclasses.replace(bench.controller.machine.make, dots=48)
        bench.controller.restart()
        assert machine.conditions() == ("other-error",)


@pytest.mark.parametrize(
    "limits",
    [{"answer_s": 0.0}, {"answer_s": 1.0, "watchdog_s": 2.0}, {"watchdog_s": 61.0}, {"tries": 0}, {"order_s": 0.1}],
)
def test_limits_that_cannot_be_kept_are_refused(limits: dict[str, float]) -> None:
    with pytest.raises(InputError, match="cannot be kept"):
        Limits(**limits)  # type: ignore[arg-type]


def test_a_watchdog_too_hasty_for_the_node_is_refused() -> None:
    bench = Bench(profile())
    bench.controller.machine.make = dataclasses.replace(bench.controller.machine.make, longest_watchdog_s=0.5)
    with pytest.raises(InputError) as refused:
        bench.machine()
    assert refused.value.field == "controller.watchdog_ms"


@pytest.mark.parametrize(("longest_watchdog_s", "every_s"), [(10.0, 0.5), (1.2, 0.3)])
def test_it_wants_a_word_after_a_quarter_of_the_silence_that_its_controller_stands(
    longest_watchdog_s: float, every_s: float
) -> None:
    bench = Bench(profile())
    make = dataclasses.replace(bench.controller.machine.make, longest_watchdog_s=longest_watchdog_s)
    bench.controller.machine.make = make
    machine = bench.machine()
    assert machine.asked_every_s == pytest.approx(every_s)
    machine.close()
    assert machine.asked_every_s == pytest.approx(0.5), "as it will be asked to"
