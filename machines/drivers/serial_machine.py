"""A machine behind a microcontroller on a serial line.

The link may come and go: what a call finds broken it mends, a bounded number of times, before it gives up. But it
never repeats a burst that was begun: what lies of it is for the node's journal and policy to settle.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from machines.calibration import UNCALIBRATED, Calibration
from machines.clock import Clock
from machines.drivers import Feed, MachineStopped
from machines.drivers.idle_nozzles import IdleNozzles
from machines.drivers.serial_fit import check, why_not
from machines.drivers.serial_greeting import Greeting
from machines.drivers.serial_link import Halted, Limits, Link, LinkLost, Words, new_call
from machines.drivers.serial_orders import burst, pattern_burst, spit
from machines.drivers.serial_port import Port, SerialPort
from machines.errors import InputError
from machines.head import HeadPlan
from machines.profile import CarriageHead, Profile

log = logging.getLogger(__name__)

BAUD = 115_200
NO_ANSWER = "connecting-to-device-error"
SILENT = "timed-out-error"
OTHER = "other-error"


@dataclass(frozen=True, kw_only=True)
class Standing:
    """Where the controller says that the paper is, in columns since the first.

    Attributes:
        end: after the last place that it has begun to lay; nothing may be laid before it. None if it does not know.
        whole: after the last place that it knows to be wholly laid.
        fed: the place under the head's first nozzle, by the encoder; None without one.
    """

    end: int | None
    whole: int
    fed: float | None


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
            InputError: the controller is that of another machine.
        """
        calibration.check(profile)
        self._calibration = calibration
        self._open_port = open_port
        self._profile = profile
        self._seed = nozzle_seed
        self._clock = clock
        self._limits = limits or Limits()
        self._name_call = name_call
        self._port: Port | None = None
        self._link: Link | None = None
        # What the controller must remember, at least, as begun and as wholly laid.
        self._end = self._whole = 0
        # The running column after the last that it remembers.
        self._column: int | None = None
        # The place under the first nozzle, where the last order of this session left it.
        self._standing: int | None = None
        self._scaled = False
        # What the calibration asks of this controller and it cannot do, in words.
        self._cannot = ""
        self._idle = IdleNozzles.of(profile, clock.elapsed())
        try:
            self._connected()
        except LinkLost as lost:
            log.warning("the machine does not answer yet: %s", lost)
            self._hang_up()
        except BaseException:
            self._hang_up()
            raise

    def lay(self, place: int, dots: NDArray[np.bool_], first_column: int) -> None:
        """Set columns from a place on; when this returns, every one of them lies there.

        Raises:
            MachineStopped: some of them may lie there, or come to before the controller halts. Its places are spent.
            ValueError: dots of another height than the head's.
        """
        link, dead = self._ready_to_lay(place, dots.shape[0]), self._calibration.dead_nozzles
        self._burst(link, burst(place, dots, first_column, self._profile, self._seed, dead))
        self._laid_to(place + dots.shape[1])
        self._column = first_column + dots.shape[1]

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
        link = self._ready()
        if place < self._end:
            log.error("place %d was ordered, but the controller has laid up to %d", place, self._end)
            raise MachineStopped(OTHER)
        return link

    def _burst(self, link: Link, orders: Iterable[Words]) -> None:
        """Lay it, after opening the nozzles that have been idle for too long."""
        self._spit(link)
        fired: set[int] = set()
        self._perform(link, _noting_nozzles(orders, fired))
        if self._idle is not None:
            self._idle.opened(sorted(fired), self._clock.elapsed())

    def keep_open(self) -> None:
        """Fire nozzles that have been idle for too long into the waste, where the controller can.

        Raises:
            MachineStopped: some were not fired, perhaps.
        """
        if self._idle is not None:
            self._spit(self._ready())

    def _spit(self, link: Link) -> None:
        if self._idle is not None and link.greeting.waste is not None:
            due = self._idle.fire_due(self._clock.elapsed())
            if due.any():
                self._perform(link, spit(due, self._idle.drops))

    def _laid_to(self, end: int) -> None:
        self._end = self._whole = end
        self._standing = end - 1 + _lead_out(self._profile)

    def cut(self, place: int) -> None:
        """Cut at the place under the knife, if a person has armed it.

        Raises:
            MachineStopped: it was not cut, or nobody saw whether it was; the controller cuts no place twice.
        """
        link = self._ready()
        standing = place + self._profile.knife_columns
        # The controller stands where this place is under its own knife, by its own measure of the way there.
        self._perform(link, [("cut", standing - (link.greeting.knife or 0))])
        self._standing = standing
        self._end = max(self._end, self._standing)

    def arm(self) -> None:
        """Let the knife cut, until the controller halts for whatever reason. Only a person beside the machine may
        cause this call.

        Raises:
            MachineStopped: it is not armed.
        """
        self._perform(self._ready(), [("arm",)])

    def set_place(self, place: int) -> None:
        """Tell a controller that has lost it where the paper stands. Only a person who looked may cause this call.

        Raises:
            MachineStopped: the controller knows better, or does not answer.
        """
        self._perform(self._ready(place_known=False), [("place", place)])
        self._end = self._whole = place
        self._link = None  # the next greeting tells the place

    def standing(self) -> Standing:
        """Where the paper is, for the node to compare with its journal.

        Raises:
            MachineStopped: the controller does not answer.
        """
        link = self._ready(place_known=False)
        end = None if link.greeting.end is None else self._end
        return Standing(end=end, whole=self._whole, fed=_fed(link))

    def feed(self) -> Feed | None:
        """Where the paper stands after the last order of this session; None before the first, and where the profile
        or the controller has no encoder."""
        link = self._link
        fed = None if link is None else _fed(link)
        if self._standing is None or fed is None or self._profile.encoder_pitch_mm is None:
            return None
        return Feed(place=self._standing, measured_mm=fed * self._profile.column_pitch_mm)

    def correct(self, mm: float) -> float:
        """Let the feed go so much further, or come so much less far, with its next motion.

        Returns:
            how much of it the controller will do, in steps of its feed: 0 if it can do none.

        Raises:
            MachineStopped: it did not take the order.
        """
        link = self._ready()
        fine_nm = link.greeting.fine_nm
        steps = 0 if fine_nm is None else int(mm * 1e6 / fine_nm)
        if fine_nm is None or steps == 0:
            return 0.0
        self._perform(link, [("correct", steps * fine_nm)])
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
        self._ready(place_known=False)
        return self._column

    def conditions(self) -> tuple[str, ...]:
        """What is wrong now; also keeps the controller's watchdog quiet, so call it at least every second."""
        for _ in range(2):
            try:
                said = self._connected().ask()
                return (*said, OTHER) if self._cannot else said
            except Halted as halted:
                # What it had to say was said when it halted, or is among its conditions after a new greeting.
                log.warning("the controller had %s", halted)
                self._link = None
            except LinkLost as lost:
                log.warning("the machine does not answer: %s", lost)
                self._hang_up()
                return (NO_ANSWER,)
            except InputError as error:
                log.error("%s", error)
                self._hang_up()
                return (OTHER,)
        return (NO_ANSWER,)

    def halt(self) -> None:
        """Stop what is under way in another thread. Not a safety function: the stop control beside the machine is."""
        link = self._link
        if link is not None:
            link.ask_to_stop()

    def close(self) -> None:
        """Stop the motion, cap and park the head, disarm the knife. Without an answer the watchdog will."""
        if self._link is not None:
            try:
                self._link.stop()
                self._link = None
            except LinkLost as lost:
                log.warning("no word that the machine stands still: %s", lost)
        self._hang_up()

    def _ready(self, *, place_known: bool = True) -> Link:
        """A link over which orders can go.

        Raises:
            MachineStopped: there is none.
        """
        conditions = self.conditions()
        if self._link is None:
            raise MachineStopped(*conditions)
        if self._cannot:
            raise MachineStopped(OTHER)
        if place_known and self._link.greeting.end is None:
            log.error("the controller has lost where its paper stands: a person must look and tell it")
            raise MachineStopped(OTHER)
        if place_known and not self._scaled:
            self._scale(self._link)
        return self._link

    def _scale(self, link: Link) -> None:
        """Have this session's feed go as far as was measured that it must."""
        self._scaled = True
        if self._calibration.feed_factor != 1.0:
            self._perform(link, [("scale", round(1e6 / self._calibration.feed_factor))])

    def _connected(self) -> Link:
        """The session, or a new one.

        Raises:
            LinkLost: no answer.
            InputError: the controller is that of another machine.
        """
        if self._link is not None:
            return self._link
        if self._port is None:
            try:
                self._port = self._open_port()
            except OSError as error:
                raise LinkLost(str(error)) from error
        link = Link(self._port, self._clock, self._limits, self._name_call())
        check(link.greeting, self._profile, knife_measured=self._calibration.head_to_knife_mm is not None)
        self._cannot = why_not(link.greeting, self._calibration)
        if self._cannot:
            log.error("%s", self._cannot)
        self._compare(link.greeting)
        self._link, self._standing, self._scaled = link, None, False
        return link

    def _compare(self, greeting: Greeting) -> None:
        """The controller's place with what this driver saw it do."""
        if greeting.end is None:
            return
        if greeting.end < self._end:
            problem = f"the controller remembers {greeting.end} columns of paper, but laid {self._end}"
            raise InputError("controller.end", problem, "have a person look at the paper; its memory has failed")
        self._end, self._whole, self._column = greeting.end, greeting.whole, greeting.column

    def _perform(self, link: Link, orders: Iterable[Words]) -> None:
        try:
            link.perform(orders)
        except Halted as halted:
            self._link = None
            log.warning("%s", halted)
            raise MachineStopped(*_why(halted)) from halted
        except LinkLost as lost:
            self._hang_up()
            log.warning("%s", lost)
            raise MachineStopped(SILENT) from lost

    def _hang_up(self) -> None:
        """Give the wire back, so that a device that was plugged in again is found under its name."""
        if self._link is not None:
            self._link.abandon()
        if self._port is not None:
            self._port.close()
        self._link = self._port = None


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


def _why(halted: Halted) -> tuple[str, ...]:
    if halted.reason in ("condition", "order"):
        errors = tuple(word for word in halted.keywords if not word.endswith(("-report", "-warning")))
        return errors or (OTHER,)
    return ({"stop": "paused", "watchdog": SILENT}.get(halted.reason, NO_ANSWER),)
