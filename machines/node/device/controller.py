"""The machine at hand: the driver for the work that is held, and whether the machine stands."""

from __future__ import annotations

from collections.abc import Callable

from machines.drivers import Driver, MachineStopped
from machines.model.calibration import Calibration
from machines.model.profile import Profile
from machines.node.device import reporting
from machines.node.store.journal import Journal
from machines.node.work.held_work import HeldWork
from machines.node.work.interruption import Interruption
from machines.operator import holds, stop_causes
from machines.operator.stop_causes import cause_of
from machines.protocol.messages import RunWork

# So many orders in a row the machine may refuse without a condition; each leaves a burst unknown.
MOST_REFUSALS = 3

OpenDriver = Callable[[Profile, RunWork, Calibration], Driver]


class MachineAtHand:
    """The machine beside this board, and what its stops mean.

    Attributes:
        driver: open now; None before the first work, and while the machine is parked.
    """

    def __init__(
        self, journal: Journal, interruption: Interruption, open_driver: OpenDriver, *, resume_unattended: bool
    ) -> None:
        """Wire it up; see `machines.node.printing.loop.Printer`."""
        self._journal = journal
        self._interruption = interruption
        self._open_driver = open_driver
        self._resume_unattended = resume_unattended
        self._driver_for: tuple[Profile, int, Calibration] | None = None
        self.driver: Driver | None = None
        self._refusals = 0
        self._has_moved = False  # since this agent began; or it was held

    def fits(self, work: HeldWork) -> bool:
        """Whether the open driver is the one for this work."""
        return self.driver is not None and self._driver_for == _wanted(work)

    def driver_of(self, work: HeldWork) -> Driver:
        """The driver for this work; another one is closed first."""
        return self.driver_for(work.profile, work.run, work.calibration)

    def driver_for(self, profile: Profile, run: RunWork, calibration: Calibration) -> Driver:
        """The driver of a machine as it is measured, with a run's assignment of nozzles; another is closed first."""
        wanted = (profile, run.nozzle_seed, calibration)
        if self.driver is None or self._driver_for != wanted:
            self.close()
            self.driver = self._open_driver(profile, run, calibration)
            self._driver_for = wanted
        return self.driver

    def close(self) -> None:
        """Stop its motion, cap and park its head."""
        if self.driver is not None:
            self.driver.close()
            self.driver = None

    def stands_still(self, driver: Driver, now: float) -> bool:
        """Whether the machine cannot print; its word is reported. ``now`` by the server, POSIX seconds."""
        conditions = driver.conditions()
        reporting.report_conditions(self._journal, conditions, now)
        stopped = any(map(stop_causes.stops_printing, conditions))
        if stopped or (stop_causes.KNIFE_OFFLINE in conditions and self._journal.state().knife_armed):
            reporting.disarm(self._journal, cause_of(conditions))
        if stopped and (self._interruption.cause is None or self._has_moved):
            self._hold_unless_unattended()
        if stopped:
            self._refusals = 0
            self._interruption.because(cause_of(conditions))
        return stopped or self._refuses_all(now)

    def stopped_laying(self, stop: MachineStopped, now: float) -> None:
        """It stopped in the middle of an order, or refused it."""
        self._refusals += 1
        reporting.disarm(self._journal, cause_of(stop.keywords))
        reporting.report_conditions(self._journal, stop.keywords, now)
        self._interruption.because(cause_of(stop.keywords))
        self._hold_unless_unattended()

    def stopped_unseen(self) -> None:
        """It stopped while it was printing, as it remembers itself; nobody has looked at it since."""
        reporting.disarm(self._journal, "unplanned-stop")
        self._hold_unless_unattended()

    def rests(self) -> None:
        """It is held. Who lets it go on while something is wrong with it must not find it moving under their hands as
        soon as that is cleared."""
        self._has_moved = True

    def followed(self) -> None:
        """It did as ordered."""
        self._refusals = 0
        self._has_moved = True

    def _refuses_all(self, now: float) -> bool:
        """A machine that says nothing is wrong and refuses one order after another would have all that comes passed
        over, as perhaps on the paper: whatever is agreed on resuming, a person must look."""
        if self._refusals < MOST_REFUSALS:
            return False
        self._refusals = 0
        self._interruption.because("machine")
        reporting.report_conditions(self._journal, (stop_causes.NO_REASON_GIVEN,), now)
        reporting.hold_after_unplanned_stop(self._journal, holds.REFUSING)
        return True

    def _hold_unless_unattended(self) -> None:
        if not self._resume_unattended:
            reporting.hold_after_unplanned_stop(self._journal)
            self.rests()


def _wanted(work: HeldWork) -> tuple[Profile, int, Calibration]:
    """All that a driver is opened for: where it changes, the driver is another."""
    return work.profile, work.run.nozzle_seed, work.calibration
