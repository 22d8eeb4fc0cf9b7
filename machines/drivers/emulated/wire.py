"""The wire to an emulated controller, and its near end as a serial device of this computer (a pseudo-terminal)."""

from __future__ import annotations

import contextlib
import heapq
import itertools
import math
import os
import queue
import select
import tty
from collections.abc import Callable

from machines.clock import Clock
from machines.drivers.emulated.controller import Controller
from machines.drivers.emulated.wire_noise import Noise, NoisePlan
from machines.drivers.serial.framing import LineReader, encode

_LONGEST_WAIT_S = 3600.0


class EmulatedWire:
    """A controller with a wire to it, good or bad; whoever owns it gives the time."""

    def __init__(self, controller: Controller, noise: NoisePlan | None = None) -> None:
        plan = noise or NoisePlan()
        self.controller = controller
        self.plugged = True
        self._to = Noise(plan)
        self._from = Noise(NoisePlan(seed=~plan.seed, rate=plan.rate, longest_delay_s=plan.longest_delay_s))
        self._reader = LineReader()
        self._numbers = itertools.count()
        # What is on its way: when it arrives, a number that keeps the order, whether to the controller, and what.
        self._under_way: list[tuple[float, int, bool, bytes]] = []

    def send(self, octets: bytes, now: float) -> None:
        """The node has written."""
        self._put(self._to, octets, now, to_controller=True)

    def next_event(self) -> float:
        """When `pass_time` should be called next, if nothing is sent before."""
        return min(self.controller.next_event(), self._under_way[0][0] if self._under_way else math.inf)

    def pass_time(self, now: float) -> bytes:
        """Carry on up to an instant.

        Returns:
            what has arrived at the node.
        """
        arrived = []
        while (at := self.next_event()) <= now:
            while self._under_way and self._under_way[0][0] <= at:
                _, _, to_controller, octets = heapq.heappop(self._under_way)
                if not to_controller:
                    arrived.append(octets)
                    continue
                for words in self._reader.feed(octets):
                    self.controller.receive(words, at)
            self._answer(at)
        self._answer(now)
        return b"".join(arrived)

    def _answer(self, now: float) -> None:
        self.controller.pass_time(now)
        for words in self.controller.answers():
            self._put(self._from, encode(*words), now, to_controller=False)

    def _put(self, noise: Noise, octets: bytes, now: float, *, to_controller: bool) -> None:
        if self.plugged:
            for delay_s, piece in noise.through(octets):
                heapq.heappush(self._under_way, (now + delay_s, next(self._numbers), to_controller, piece))


class PtyEmulator:
    """An emulated wire whose near end is a serial device of this computer.

    Attributes:
        device: its name.
    """

    def __init__(self, wire: EmulatedWire, clock: Clock) -> None:
        self._wire = wire
        self._clock = clock
        self._commands: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        self._stopped = False
        # The far end stays open, so that the device outlives each node that comes and goes.
        self._near, self._far = os.openpty()
        tty.setraw(self._far)
        os.set_blocking(self._near, False)
        self._waking, self._wake = os.pipe()
        self.device = os.ttyname(self._far)

    def tell(self, command: Callable[[], None]) -> None:
        """Have something done between two events; from any thread."""
        self._commands.put(command)
        os.write(self._wake, b"!")

    def stop(self) -> None:
        """End `run`; from any thread."""
        self.tell(lambda: setattr(self, "_stopped", True))

    def run(self) -> None:
        """Emulate until `stop`."""
        while not self._stopped:
            wait_s = min(max(0.0, self._wire.next_event() - self._clock.elapsed()), _LONGEST_WAIT_S)
            ready, _, _ = select.select([self._near, self._waking], [], [], wait_s)
            if self._waking in ready:
                os.read(self._waking, 1)
                self._commands.get()()
            if self._near in ready:
                self._wire.send(os.read(self._near, 65_536), self._clock.elapsed())
            arrived = self._wire.pass_time(self._clock.elapsed())
            # What does not fit is lost, as on a wire without flow control.
            with contextlib.suppress(BlockingIOError):
                os.write(self._near, arrived)

    def close(self) -> None:
        """Take the device away; after `run` has ended."""
        for descriptor in (self._near, self._far, self._waking, self._wake):
            os.close(descriptor)
