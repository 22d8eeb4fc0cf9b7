"""The way to one controller, across its sessions: greeted, lost, and found again.

The link may come and go: what a call finds broken it mends, a bounded number of times, before it gives up. But orders
that were begun are never repeated here: what lies of them is for the node's journal and policy to settle.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable

from machines.clock import Clock
from machines.drivers import MachineStopped
from machines.drivers.serial.compatibility import check, why_not
from machines.drivers.serial.handshake import Greeting
from machines.drivers.serial.port import Port
from machines.drivers.serial.transport import Halted, Limits, Link, LinkLost, Words
from machines.errors import InputError
from machines.model.calibration import Calibration
from machines.model.profile import Profile

log = logging.getLogger(__name__)

NO_ANSWER = "connecting-to-device-error"
SILENT = "timed-out-error"
OTHER = "other-error"


class Connection:
    """To the controller of one machine. Of its methods only `halt` may be called from another thread.

    Attributes:
        link: the session; None while there is none.
        end: the place after the last that the controller must remember, at least, as begun.
        whole: the same of what is wholly laid.
        column: the running column after the last that it remembers; None if it does not.
        standing: the place under the first nozzle, where the last order of this session left it; None before one.
    """

    def __init__(
        self,
        open_port: Callable[[], Port],
        profile: Profile,
        calibration: Calibration,
        clock: Clock,
        limits: Limits,
        name_call: Callable[[], str],
    ) -> None:
        """Greet the controller, if it is there; if not, `conditions` says so and looks for it again.

        Raises:
            InputError: the controller is that of another machine.
        """
        self._open_port = open_port
        self._profile = profile
        self._calibration = calibration
        self._clock = clock
        self._limits = limits
        self._name_call = name_call
        self._port: Port | None = None
        self._scaled = False
        # What the calibration asks of this controller and it cannot do, in words.
        self._cannot = ""
        self.link: Link | None = None
        self.end = self.whole = 0
        self.column: int | None = None
        self.standing: int | None = None
        try:
            self._greeted()
        except LinkLost as lost:
            log.warning("the machine does not answer yet: %s", lost)
            self.hang_up()
        except BaseException:
            self.hang_up()
            raise

    def ready(self, *, place_known: bool = True) -> Link:
        """A link over which orders can go.

        Args:
            place_known: only if the controller knows where its paper stands, and has its feed scaled.

        Raises:
            MachineStopped: there is none.
        """
        conditions = self.conditions()
        if self.link is None:
            raise MachineStopped(*conditions)
        if self._cannot:
            raise MachineStopped(OTHER)
        if place_known and self.link.greeting.end is None:
            log.error(
                "the controller has lost where its paper stands: a person must look and tell it, at the panel or with"
                " dayroll-node set-place"
            )
            raise MachineStopped(OTHER)
        if place_known and not self._scaled:
            self._scale(self.link)
        return self.link

    def perform(self, link: Link, orders: Iterable[Words]) -> None:
        """Have orders done over a link that is ready.

        Raises:
            MachineStopped: some were done, and some perhaps not.
        """
        try:
            link.perform(orders)
        except Halted as halted:
            self.link = None
            log.warning("%s", halted)
            raise MachineStopped(*_why(halted)) from halted
        except LinkLost as lost:
            self.hang_up()
            log.warning("%s", lost)
            raise MachineStopped(SILENT) from lost

    def conditions(self) -> tuple[str, ...]:
        """What is wrong now, in keywords; also keeps the controller's watchdog quiet, so call it often enough."""
        for _ in range(2):
            try:
                said = self._greeted().ask()
                return (*said, OTHER) if self._cannot else said
            except Halted as halted:
                # What it had to say was said when it halted, or is among its conditions after a new greeting.
                log.warning("the controller had %s", halted)
                self.link = None
            except LinkLost as lost:
                log.warning("the machine does not answer: %s", lost)
                self.hang_up()
                return (NO_ANSWER,)
            except InputError as error:
                log.error("%s", error)
                self.hang_up()
                return (OTHER,)
        return (NO_ANSWER,)

    def halt(self) -> None:
        """End what is under way in another thread."""
        link = self.link
        if link is not None:
            link.ask_to_stop()

    def close(self) -> None:
        """End the session: the motion stops, the head is capped, the knife disarmed. Without an answer the watchdog
        will."""
        if self.link is not None:
            try:
                self.link.stop()
                self.link = None
            except LinkLost as lost:
                log.warning("no word that the machine stands still: %s", lost)
        self.hang_up()

    def hang_up(self) -> None:
        """Give the wire back, so that a device that was plugged in again is found under its name."""
        if self.link is not None:
            self.link.abandon()
        if self._port is not None:
            self._port.close()
        self.link = self._port = None

    def _greeted(self) -> Link:
        """The session, or a new one.

        Raises:
            LinkLost: no answer.
            InputError: the controller is that of another machine.
        """
        if self.link is not None:
            return self.link
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
        self.link, self.standing, self._scaled = link, None, False
        return link

    def _compare(self, greeting: Greeting) -> None:
        """The controller's place with what this driver saw it do."""
        if greeting.end is None:
            return
        if greeting.end < self.end:
            problem = f"the controller remembers {greeting.end} columns of paper, but laid {self.end}"
            raise InputError("controller.end", problem, "have a person look at the paper; its memory has failed")
        self.end, self.whole, self.column = greeting.end, greeting.whole, greeting.column

    def _scale(self, link: Link) -> None:
        """Have this session's feed go as far as was measured that it must."""
        self._scaled = True
        if self._calibration.feed_factor != 1.0:
            self.perform(link, [("scale", round(1e6 / self._calibration.feed_factor))])


def _why(halted: Halted) -> tuple[str, ...]:
    if halted.reason in ("condition", "order"):
        errors = tuple(word for word in halted.keywords if not word.endswith(("-report", "-warning")))
        return errors or (OTHER,)
    return ({"stop": "paused", "watchdog": SILENT}.get(halted.reason, NO_ANSWER),)
