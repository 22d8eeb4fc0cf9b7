"""A machine behind a microcontroller on a serial line: what a driver must do, said in the controller's orders."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from machines.clock import Clock
from machines.drivers import MachineStopped
from machines.drivers.idle_nozzles import IdleNozzles
from machines.drivers.serial.orders import burst, pattern_burst, spit
from machines.drivers.serial.port import Port, SerialPort
from machines.drivers.serial.session import OTHER, Connection
from machines.drivers.serial.transport import Limits, Link, Words, new_call
from machines.model.calibration import UNCALIBRATED, Calibration
from machines.model.head import HeadPlan
from machines.model.position import Feed
from machines.model.profile import CarriageHead, Profile

log = logging.getLogger(__name__)

BAUD = 115_200
# While it waits, a word comes to the controller after so much of the silence that it stands.
WATCHDOG_PART = 0.25


@dataclass(frozen=True, kw_only=True)
class PaperPosition:
    """Where the controller says that the paper is, in columns since the first.

    Attributes:
        end: after the last place that it has begun to lay; nothing may be laid before it. None if it does not know.
        whole: after the last place that it knows to be wholly laid.
        under_head: the place under the head's first nozzle, by the encoder; None without one.
    """

    end: int | None
    whole: int
    under_head: float | None


def open_serial(
    device: str,
    profile: Profile,
    nozzle_seed: int,
    clock: Clock,
    baud: int = BAUD,
    calibration: Calibration | None = None,
) -> SerialMachine:
    """The machine at a serial device, such as ``/dev/ttyACM0``; ``clock`` must be a real one.

    Raises:
        InputError: the controller there is that of another machine.
    """
    return SerialMachine(
        lambda: SerialPort(device, baud), profile, nozzle_seed, clock, calibration=calibration or UNCALIBRATED
    )


class SerialMachine:
    """The driver. Of its methods only `halt` may be called from another thread."""

    def __init__(
        self,
        open_port: Callable[[], Port],
        profile: Profile,
        nozzle_seed: int,
        clock: Clock,
        limits: Limits | None = None,
        name_call: Callable[[], str] = new_call,
        calibration: Calibration = UNCALIBRATED,
    ) -> None:
        """Greet the controller, if it is there; if not, `conditions` says so and looks for it again.

        Args:
            open_port: opens the wire; raises `OSError` where it is not there.
            profile: of the machine.
            nozzle_seed: of the assignment of nozzles.
            clock: a real one; a microcontroller knows no other.
            limits: of patience.
            name_call: a new name for each greeting.
            calibration: what was measured of the machine: its feed is scaled by it, and its dead nozzles are left out.

        Raises:
            InputError: the controller is that of another machine, or the calibration.
        """
        calibration.check(profile)
        self._profile = profile
        self._seed = nozzle_seed
        self._clock = clock
        self._calibration = calibration
        self._idle = IdleNozzles.of(profile, clock.elapsed())
        self._quiet_until = float("-inf")
        limits = limits or Limits()
        self._watchdog_s = limits.watchdog_s
        self._controller = Connection(open_port, profile, calibration, clock, limits, name_call)

    @property
    def asked_every_s(self) -> float:
        """Well within the silence that the controller said it stands, or is to be asked to stand."""
        link = self._controller.link
        stands_s = self._watchdog_s if link is None else link.greeting.watchdog_ms / 1000
        return stands_s * WATCHDOG_PART

    def lay(self, place: int, dots: NDArray[np.bool_], first_column: int) -> None:
        """Set columns from a place on; when this returns, every one of them lies there.

        Raises:
            MachineStopped: some of them may lie there, or come to before the controller halts. Its places are spent.
            ValueError: dots of another height than the head's.
        """
        link, dead = self._ready_to_lay(place, dots.shape[0]), self._calibration.dead_nozzles
        self._burst(link, burst(place, dots, first_column, self._profile, self._seed, dead))
        self._laid_to(place + dots.shape[1])
        self._controller.column = first_column + dots.shape[1]

    def lay_pattern(self, place: int, pattern: NDArray[np.bool_] | HeadPlan) -> None:
        """Set what is of no picture from a place on.

        Raises:
            MachineStopped, ValueError: as `lay`.
        """
        rows, columns = pattern.numbers.shape if isinstance(pattern, HeadPlan) else pattern.shape
        link, dead = self._ready_to_lay(place, rows), self._calibration.dead_nozzles
        self._burst(link, pattern_burst(place, pattern, self._profile, self._seed, dead))
        self._laid_to(place + columns)

    def _ready_to_lay(self, place: int, rows: int) -> Link:
        if rows != self._profile.dots_across:
            raise ValueError(f"{rows} dots in a column of {self._profile.dots_across}")
        link = self._controller.ready()
        if place < self._controller.end:
            log.error("place %d was ordered, but the controller has laid up to %d", place, self._controller.end)
            raise MachineStopped(OTHER)
        return link

    def _burst(self, link: Link, orders: Iterable[Words]) -> None:
        """Lay it, after opening the nozzles that have been idle for too long."""
        self._spit(link)
        fired: set[int] = set()
        self._controller.perform(link, _noting_nozzles(orders, fired))
        if self._idle is not None:
            self._idle.opened(sorted(fired), self._clock.elapsed())

    def keep_open(self) -> None:
        """Fire nozzles that have been idle for too long into the waste, where the controller can.

        Raises:
            MachineStopped: some were not fired, perhaps.
        """
        if self._idle is not None:
            self._spit(self._controller.ready())

    def keep_quiet(self, for_s: float) -> None:
        """Fire no idle nozzle for so long from now, seconds."""
        self._quiet_until = self._clock.elapsed() + for_s

    def _spit(self, link: Link) -> None:
        if self._clock.elapsed() < self._quiet_until:
            return
        if self._idle is not None and link.greeting.waste is not None:
            due = self._idle.due(self._clock.elapsed())
            if due.any():
                self._controller.perform(link, spit(due, self._idle.drops))
                self._idle.opened(due, self._clock.elapsed())  # not before: what halted on the way opened none

    def _laid_to(self, end: int) -> None:
        self._controller.end = self._controller.whole = end
        self._controller.standing = end - 1 + _lead_out(self._profile)

    def cut(self, place: int) -> None:
        """Cut at the place under the knife, if a person has armed it.

        Raises:
            MachineStopped: it was not cut, or nobody saw whether it was; the controller cuts no place twice.
        """
        link = self._controller.ready()
        standing = place + self._profile.knife_columns
        # The controller stands where this place is under its own knife, by its own measure of the way there.
        self._controller.perform(link, [("cut", standing - (link.greeting.knife or 0))])
        self._controller.standing = standing
        self._controller.end = max(self._controller.end, standing)

    def arm(self) -> None:
        """Let the knife cut, until the controller halts for whatever reason. Only a person beside the machine may
        cause this call.

        Raises:
            MachineStopped: it is not armed.
        """
        self._controller.perform(self._controller.ready(), [("arm",)])

    def set_place(self, place: int) -> bool:
        """Tell a controller that has lost it where the paper stands. Only a person who looked may cause this call.

        Returns:
            whether it had lost it; False where it knows its place, and nothing is sent.

        Raises:
            MachineStopped: the controller does not take it, or does not answer.
        """
        link = self._controller.ready(place_known=False)
        if link.greeting.end is not None:
            return False
        self._controller.perform(link, [("place", place)])
        self._controller.end = self._controller.whole = place
        self._controller.link = None  # the next greeting tells the place
        return True

    def standing(self) -> PaperPosition:
        """Where the paper is, for the node to compare with its journal.

        Raises:
            MachineStopped: the controller does not answer.
        """
        link = self._controller.ready(place_known=False)
        end = None if link.greeting.end is None else self._controller.end
        return PaperPosition(end=end, whole=self._controller.whole, under_head=_fed(link))

    def feed(self) -> Feed | None:
        """Where the paper stands after the last order of this session; None before the first, and where the profile
        or the controller has no encoder."""
        link = self._controller.link
        fed = None if link is None else _fed(link)
        if self._controller.standing is None or fed is None or self._profile.encoder_pitch_mm is None:
            return None
        return Feed(place=self._controller.standing, measured_mm=fed * self._profile.column_pitch_mm)

    def correct(self, mm: float) -> float:
        """Let the feed go so much further, or come so much less far, with its next motion.

        Returns:
            how much of it the controller will do, in steps of its feed: 0 if it can do none.

        Raises:
            MachineStopped: it did not take the order.
        """
        link = self._controller.ready()
        fine_nm = link.greeting.fine_nm
        steps = 0 if fine_nm is None else int(mm * 1e6 / fine_nm)
        if fine_nm is None or steps == 0:
            return 0.0
        self._controller.perform(link, [("correct", steps * fine_nm)])
        return steps * fine_nm / 1e6

    def paper_end(self) -> int | None:
        """The place after the last that the controller remembers to have begun; None if it has lost its place.

        Raises:
            MachineStopped: the controller does not answer.
        """
        return self.standing().end

    def column_end(self) -> int | None:
        """The running column after the last that the controller remembers to have begun; None if it does not.

        Raises:
            MachineStopped: the controller does not answer.
        """
        self._controller.ready(place_known=False)
        return self._controller.column

    def conditions(self) -> tuple[str, ...]:
        """What is wrong now; also keeps the controller's watchdog quiet, so call it every `asked_every_s`."""
        return self._controller.conditions()

    def halt(self) -> None:
        """Stop what is under way in another thread. Not a safety function: the stop control beside the machine is."""
        self._controller.halt()

    def close(self) -> None:
        """Stop the motion, cap and park the head, disarm the knife. Without an answer the watchdog will."""
        self._controller.close()


def _noting_nozzles(orders: Iterable[Words], fired: set[int]) -> Iterator[Words]:
    """The same orders; which nozzles they fire is added to a set."""
    for order in orders:
        if order[0] == "dots":
            fired.add(int(str(order[1])))
        yield order


def _fed(link: Link) -> float | None:
    """The place under the first nozzle by the encoder, in columns; None without one."""
    counts = link.greeting.counts
    return None if counts is None or link.encoder is None else link.encoder / float(counts)


def _lead_out(profile: Profile) -> int:
    """How many columns further than its last a burst ends."""
    return profile.head.nozzles - 1 if isinstance(profile.head, CarriageHead) else 0
