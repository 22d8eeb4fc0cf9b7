"""Idle nozzles are fired into the waste when they are due, and only those; simulated and over the wire."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from machines.clock import utc
from machines.drivers import MachineStopped
from machines.drivers.emulated.controller import Controller
from machines.drivers.emulated.head import Make
from machines.drivers.emulated.wire import EmulatedWire
from machines.drivers.idle_nozzles import IdleNozzles
from machines.drivers.serial.machine import SerialMachine
from machines.drivers.simulated.faults import FaultPlan, Jam
from machines.drivers.simulated.machine import SimulatedMachine
from machines.model.profile import CarriageHead, IdleFiring, Profile
from machines.model.supplies import ML_PER_PL, idle_ml
from tests.machines.drivers.serial.bench import Bench, profile
from tests.machines.node.relay import carriage_profile, line_profile
from tests.machines.node.rig import NOON, HandClock, Rig, make_studio

IDLE = IdleFiring(drops=50, every_s=600.0)


def with_idle(of: Profile, idle: IdleFiring = IDLE) -> Profile:
    assert isinstance(of.head, CarriageHead)
    return replace(of, head=replace(of.head, idle_firing=idle))


class TestCounting:
    def fire(self, nozzles: IdleNozzles, now: float) -> list[bool]:
        due = nozzles.due(now)
        nozzles.opened(due, now)
        return [bool(one) for one in due]

    def test_of_a_driver_that_was_just_opened_every_nozzle_is_due_once(self) -> None:
        nozzles = IdleNozzles(IDLE, 4, 100.0)
        assert all(self.fire(nozzles, 100.0))
        assert not any(self.fire(nozzles, 700.0))
        assert all(self.fire(nozzles, 700.1))

    def test_what_was_not_fired_stays_due(self) -> None:
        nozzles = IdleNozzles(IDLE, 2, 0.0)
        assert nozzles.due(0.0).all()
        assert nozzles.due(1.0).all()
        nozzles.opened(nozzles.due(2.0), 2.0)
        assert not nozzles.due(602.0).any()
        assert nozzles.due(602.1).all()

    def test_what_has_set_a_dot_is_open(self) -> None:
        nozzles = IdleNozzles(IDLE, 4, 0.0)
        self.fire(nozzles, 0.0)
        nozzles.opened([1, 3], 400.0)
        assert self.fire(nozzles, 601.0) == [True, False, True, False]
        assert self.fire(nozzles, 1001.0) == [False, True, False, True]

    def test_looked_at_often_none_stays_idle_for_longer_than_it_may(self) -> None:
        nozzles, fired, last = IdleNozzles(IDLE, 3, 0.0), 0, 0.0
        for second in np.arange(0.0, 86_400.0, 0.5):
            if all(self.fire(nozzles, float(second))):
                assert second - last <= IDLE.every_s + 0.5
                fired, last = fired + 1, float(second)
        assert fired == pytest.approx(144, abs=1), "a day of ten minutes each"

    def test_a_head_that_needs_it_not_has_none(self) -> None:
        assert IdleNozzles.of(carriage_profile(), 0.0) is None
        assert IdleNozzles.of(line_profile(), 0.0) is None
        assert IdleNozzles.of(with_idle(carriage_profile(), IdleFiring(drops=0, every_s=600.0)), 0.0) is None
        assert IdleNozzles.of(with_idle(carriage_profile()), 0.0) is not None


class TestSimulated:
    def machine(self, folder: Path, clock: HandClock, faults: FaultPlan | None = None) -> SimulatedMachine:
        return SimulatedMachine(folder, with_idle(carriage_profile()), 3, clock, faults=lambda: faults or FaultPlan())

    def test_before_a_burst_those_that_are_due_fire(self, tmp_path: Path) -> None:
        clock = HandClock()
        machine = self.machine(tmp_path, clock)
        machine.lay(0, np.ones((40, 16), dtype=np.bool_), 0)
        assert machine.waste_drops == 12 * 50
        clock.at += 599
        machine.lay(16, np.ones((40, 16), dtype=np.bool_), 16)
        assert machine.waste_drops == 12 * 50
        clock.at += 601
        machine.lay(32, np.ones((40, 16), dtype=np.bool_), 32)
        assert machine.waste_drops == 2 * 12 * 50

    def test_waiting_it_takes_what_the_budget_says(self, tmp_path: Path) -> None:
        """Ink fired into the waste in a day, by the drops counted and by the closed form of the budget."""
        clock = HandClock()
        machine = self.machine(tmp_path, clock)
        for _ in range(24 * 60):
            machine.keep_open()
            clock.at += 60.0
        head = with_idle(carriage_profile()).head
        assert isinstance(head, CarriageHead)
        ml = machine.waste_drops * head.drop_pl * ML_PER_PL
        assert ml == pytest.approx(idle_ml(head, 86_400.0, IDLE), rel=0.1), "looked at each minute, of ten"

    def test_the_waste_is_remembered_and_the_paper_is_as_ever(self, tmp_path: Path) -> None:
        clock = HandClock()
        machine = self.machine(tmp_path, clock)
        machine.keep_open()
        machine.close()
        assert self.machine(tmp_path, clock).waste_drops == 600
        assert self.machine(tmp_path, clock).paper_end() == 0

    def test_jammed_nothing_moves(self, tmp_path: Path) -> None:
        machine = self.machine(tmp_path, HandClock(), FaultPlan(faults=(Jam(at=utc(NOON)),)))
        with pytest.raises(MachineStopped):
            machine.keep_open()
        assert machine.waste_drops == 0


class TestSerial:
    def bench(self, *, spits: bool = True) -> tuple[Bench, SerialMachine]:
        of = with_idle(profile())
        bench = Bench(of)
        bench.controller = Controller(replace(Make.of(of), spits=spits), bench.memory, bench.paper)
        bench.wire = EmulatedWire(bench.controller, None)
        return bench, bench.machine()

    def wait(self, bench: Bench, machine: SerialMachine, seconds: float) -> None:
        for _ in range(int(seconds)):
            bench.sleep(1.0)
            machine.conditions()

    def test_those_that_are_due_are_fired_before_a_burst_and_while_it_waits(self) -> None:
        bench, machine = self.bench()
        machine.lay(0, np.ones((24, 3), dtype=np.bool_), 0)
        assert bench.memory.waste == 4 * 50
        self.wait(bench, machine, 550)
        machine.keep_open()
        assert bench.memory.waste == 4 * 50
        self.wait(bench, machine, 60)
        machine.keep_open()
        assert bench.memory.waste == 2 * 4 * 50
        assert len(bench.paper.laid) == 3

    def test_a_nozzle_that_sets_dots_need_not(self) -> None:
        bench, machine = self.bench()
        machine.keep_open()
        self.wait(bench, machine, 400)
        dots = np.zeros((24, 1), dtype=np.bool_)
        dots[0] = True
        machine.lay(0, dots, 0)
        self.wait(bench, machine, 250)
        machine.keep_open()
        assert bench.memory.waste == (4 + 2) * 50, "two passes: two nozzles were opened by their dot"

    def test_nozzles_count_as_fired_only_once_they_were(self) -> None:
        bench, machine = self.bench()
        bench.controller.raise_condition("media-jam-error")
        with pytest.raises(MachineStopped):
            machine.keep_open()
        assert bench.memory.waste == 0
        bench.controller.clear_condition("media-jam-error")
        machine.keep_open()
        assert bench.memory.waste == 4 * 50

    def test_a_controller_that_cannot_is_never_told_to(self) -> None:
        bench, machine = self.bench(spits=False)
        machine.keep_open()
        machine.lay(0, np.ones((24, 3), dtype=np.bool_), 0)
        assert not any(b" spit " in line for line in bench.written)

    @pytest.mark.parametrize("order", ["spit 0 0 gA==", "spit 5 0 CA==", "spit 5 1 gA==", "spit 5 0 *"])
    def test_an_order_that_makes_no_sense_halts_the_controller(self, order: str) -> None:
        """There are four nozzles: the fifth is the bit of value 8."""
        bench, _ = self.bench()
        controller = bench.controller
        controller.receive(["hello", "other", "1", "1000"], bench.time_s)
        (session,) = {words[2] for words in controller.answers() if words[0] == "here"}
        controller.receive(["do", str(session), "1", *order.split(" ")], bench.time_s)
        controller.pass_time(bench.time_s)
        assert [words[3] for words in controller.answers() if words[0] == "halted"] == ["order"]
        assert bench.memory.waste == 0


def test_a_node_keeps_nozzles_open_while_it_prints_and_never_while_a_person_holds_it(tmp_path: Path) -> None:
    """A burst every 32 minutes: the node looks before each, and each time all are due that set no dot since."""
    clock = HandClock()
    node = Rig(tmp_path, make_studio(clock, profile=with_idle(carriage_profile())), clock)
    node.fetch()
    node.run_columns(64)
    assert node.machine is not None
    fired = node.machine.machine.waste_drops
    assert fired >= 4 * 12 * 50
    with node.journal.transaction() as db:
        db.execute("UPDATE state SET hold = 'parked'")
    for _ in range(100):
        node.run_columns(1)
    assert node.machine.machine.waste_drops == fired
