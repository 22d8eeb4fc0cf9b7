"""The driver and the emulator over a real serial device, a pseudo-terminal, in real time."""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections.abc import Iterator
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from machines.clock import SystemClock
from machines.drivers import MachineStopped
from machines.drivers.emulated.controller import Controller
from machines.drivers.emulated.head import Make
from machines.drivers.emulated.machine import Memory
from machines.drivers.emulated.wire import EmulatedWire, PtyEmulator
from machines.drivers.emulated.wire_noise import NoisePlan
from machines.drivers.serial.machine import SerialMachine, open_serial
from machines.drivers.serial.port import SerialPort
from machines.drivers.serial.transport import Limits
from machines.model.profile import Profile
from tests.machines.drivers.serial.bench import SEED, SeenPaper, complaints, lay_bursts, profile

BAUD = 115_200
# Short, so that a lost line costs little; a busy computer may still take its time to answer.
HASTY = Limits(answer_s=0.02, tries=100, order_s=5.0, watchdog_s=2.0)


class OnPty:
    """An emulator in a thread."""

    def __init__(self, of: Profile, noise: NoisePlan | None, step_s: float) -> None:
        self.profile = of
        self.paper = SeenPaper()
        self.controller = Controller(Make.of(of, step_s=step_s), Memory(), self.paper)
        self.wire = EmulatedWire(self.controller, noise)
        self.emulator = PtyEmulator(self.wire, SystemClock())
        self.device = self.emulator.device

    def machine(self, limits: Limits = HASTY) -> SerialMachine:
        return SerialMachine(lambda: SerialPort(self.device, BAUD), self.profile, SEED, SystemClock(), limits)


@contextlib.contextmanager
def on_pty(of: Profile, noise: NoisePlan | None = None, step_s: float = 0.0) -> Iterator[OnPty]:
    beside = OnPty(of, noise, step_s)
    thread = threading.Thread(target=beside.emulator.run)
    thread.start()
    try:
        yield beside
    finally:
        beside.emulator.stop()
        thread.join()
        beside.emulator.close()


def eventually(holds: object, limit_s: float = 5.0) -> None:
    until = time.monotonic() + limit_s
    while not holds():  # type: ignore[operator]
        assert time.monotonic() < until
        time.sleep(0.005)


@settings(max_examples=100, deadline=None)
@given(
    st.integers(0, 2**32 - 1),
    st.sampled_from([0.0, 0.02, 0.1, 0.2]),
    st.sampled_from([0.0, 0.01, 0.05]),
    st.booleans(),
)
def test_each_column_once_or_a_stop(seed: int, rate: float, longest_delay_s: float, carriage: bool) -> None:
    noise = NoisePlan(seed=seed, rate=rate, longest_delay_s=longest_delay_s)
    with on_pty(profile(carriage=carriage), noise) as beside:
        machine = beside.machine()
        ordered = lay_bursts(machine, beside.profile, 3, Random(seed))
        machine.close()
    assert complaints(beside.paper, beside.profile, ordered) == []


def test_a_wide_head_fills_the_buffers_and_loses_nothing() -> None:
    of = profile(dots=9600)
    with on_pty(of) as beside:
        machine = open_serial(beside.device, of, SEED, SystemClock())
        dots = np.random.default_rng(1).random((9600, 12)) < 0.5
        machine.lay(0, dots, 0)
        machine.close()
    assert np.array_equal(np.array([drops for _, _, drops in beside.paper.laid]).T, dots * 2)


def test_a_hung_link_stops_the_motion_within_the_watchdog() -> None:
    limits = Limits(answer_s=0.05, tries=5, watchdog_s=0.3)
    with on_pty(profile(), step_s=0.1) as beside:
        machine = beside.machine(limits)
        beside.controller.machine.armed = True
        cut_off_at = time.monotonic() + 0.25
        timer = threading.Timer(0.25, beside.emulator.tell, [lambda: setattr(beside.wire, "plugged", False)])
        timer.start()
        with pytest.raises(MachineStopped) as stop:
            machine.lay(0, np.ones((24, 50), dtype=np.bool_), 0)
        assert stop.value.keywords == ("timed-out-error",)
        eventually(lambda: beside.controller.machine.capped)
        # Generous for a busy computer: the burst would have gone on for five seconds.
        assert time.monotonic() - cut_off_at < 2.0
        assert not beside.controller.machine.armed and not beside.controller.moving
        timer.join()
    assert len(beside.paper.laid) < 20


def test_a_hung_controller_makes_the_node_give_up() -> None:
    near, far = os.openpty()  # nobody answers here
    try:
        limits = Limits(answer_s=0.02, tries=5, watchdog_s=0.5)
        machine = SerialMachine(lambda: SerialPort(os.ttyname(far), BAUD), profile(), SEED, SystemClock(), limits)
        assert machine.conditions() == ("connecting-to-device-error",)
        with pytest.raises(MachineStopped) as stop:
            machine.lay(0, np.ones((24, 1), dtype=np.bool_), 0)
        assert stop.value.keywords == ("connecting-to-device-error",)
    finally:
        os.close(near)
        os.close(far)


def test_stop_from_another_thread() -> None:
    with on_pty(profile(), step_s=0.1) as beside:
        machine = beside.machine()
        threading.Timer(0.15, machine.halt).start()
        with pytest.raises(MachineStopped) as stop:
            machine.lay(0, np.ones((24, 50), dtype=np.bool_), 0)
        assert stop.value.keywords == ("paused",)
        assert beside.controller.machine.capped
        machine.close()


def test_a_restart_of_the_controller_in_the_middle_is_seen() -> None:
    with on_pty(profile(), step_s=0.05) as beside:
        machine = beside.machine()
        threading.Timer(0.12, beside.emulator.tell, [beside.controller.restart]).start()
        with pytest.raises(MachineStopped) as stop:
            machine.lay(0, np.ones((24, 50), dtype=np.bool_), 0)
        assert stop.value.keywords == ("connecting-to-device-error",)
        assert machine.standing().end == 50
        machine.close()


def test_a_new_node_continues_from_the_controllers_place() -> None:
    with on_pty(profile()) as beside:
        first = beside.machine()
        first.lay(0, np.ones((24, 3), dtype=np.bool_), 0)
        # No call of the driver leaves the line as a kill does: each says farewell.
        assert first._controller._port is not None
        first._controller._port.close()  # as a kill would: no word to the controller
        second = beside.machine()
        end = second.standing().end
        assert end == 3
        second.lay(end, np.ones((24, 2), dtype=np.bool_), 3)
        second.close()
    assert [place for place, _, _ in beside.paper.laid] == [0, 1, 2, 3, 4]


def test_only_one_node_has_the_device() -> None:
    with on_pty(profile()) as beside:
        machine = beside.machine()
        other = beside.machine()
        assert other.conditions() == ("connecting-to-device-error",)
        assert machine.conditions() == ("separation-cutter-offline-warning",)
        machine.close()
        assert other.conditions() == ("separation-cutter-offline-warning",)
        other.close()
