"""What a machine remembers of the picture: a board that takes over goes by it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from machines.drivers import MachineStopped
from machines.drivers.emulated.wire_noise import NoisePlan
from machines.drivers.serial.handshake import Greeting
from machines.drivers.simulated.machine import SimulatedMachine
from machines.drivers.simulated.paper import column_end
from tests.machines.drivers.serial.bench import Bench, profile
from tests.machines.drivers.serial.test_machine import HEADS, full
from tests.machines.node.relay import line_profile
from tests.machines.node.rig import HandClock


def test_a_paper_tells_its_last_column_to_whoever_comes_next(tmp_path: Path) -> None:
    machine = SimulatedMachine(tmp_path, line_profile(), 1, HandClock())
    assert (machine.paper_end(), machine.column_end()) == (0, None)
    machine.lay(3, np.zeros((40, 5), dtype=bool), 7000)
    assert machine.column_end() == 7005
    machine.close()
    again = SimulatedMachine(tmp_path, line_profile(), 1, HandClock())
    assert (again.paper_end(), again.column_end()) == (8, 7005)
    again.lay(8, np.zeros((40, 2), dtype=bool), -20)
    assert again.column_end() == -18, "another run counts from elsewhere"
    assert column_end(tmp_path) == -18


@HEADS
def test_a_controller_tells_its_last_column_to_whoever_comes_next(carriage: bool) -> None:
    bench = Bench(profile(carriage=carriage))
    machine = bench.machine()
    assert machine.column_end() is None
    machine.lay(100, full(bench.profile, 6), 7000)
    assert machine.column_end() == 7006
    bench.controller.restart()
    assert machine.column_end() == 7006
    assert bench.machine().column_end() == 7006


@HEADS
def test_it_remembers_a_burst_that_was_broken_off_as_begun(carriage: bool) -> None:
    bench = Bench(profile(carriage=carriage), step_s=1.0)
    first = bench.machine()
    bench.at(2.5, lambda: (_ for _ in ()).throw(KeyboardInterrupt))  # as SIGKILL would
    with pytest.raises(KeyboardInterrupt):
        first.lay(100, full(bench.profile, 6), 7000)
    assert bench.machine().column_end() == 7006


def test_one_that_does_not_answer_cannot_tell() -> None:
    deaf = Bench(profile(), NoisePlan(rate=1.0))
    with pytest.raises(MachineStopped):
        deaf.machine().column_end()


def test_a_controller_of_before_this_was_thought_of_does_not_say() -> None:
    said = "head=line nozzles=4 dots=24 pitch-nm=100000 knife=none reach=0 window=8 watchdog-ms=2000 end=5 whole=5"
    assert Greeting.read(said.split()).column is None
    assert Greeting.read([*said.split(), "column=7006"]).column == 7006
    assert Greeting.read([*said.split(), "column=none"]).column is None
