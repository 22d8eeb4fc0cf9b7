"""The print loop, in small steps that each say whether they found work. It never waits for the network.

Each step looks at the journal and at the time. A step that changes something commits it before the next one looks, so
the loop may be cut off between any two of its lines.
"""

from __future__ import annotations

import logging
from collections.abc import Callable

from machines.drivers import Driver, MachineStopped
from machines.errors import DayrollError
from machines.node.clock.server_time import Estimate
from machines.node.device import blank_feed, cutter, reporting
from machines.node.device.controller import MachineAtHand, OpenDriver
from machines.node.device.slip_correction import SlipWatch
from machines.node.manual import job
from machines.node.manual.job_runner import Handworker
from machines.node.printing.burst_step import NOTHING_DUE, Laying
from machines.node.printing.order_queue import OrdersInHand
from machines.node.printing.settling import Settling
from machines.node.store.journal import Journal, State, change_state, read_state
from machines.node.waiting.inquiry import WorkInquiry
from machines.node.work import bursts, offers, order_log, takeover
from machines.node.work import held_work as holding
from machines.node.work.held_work import HeldWork
from machines.node.work.interruption import Interruption
from machines.node.work.plate_cache import PlateCache
from machines.node.work.snapshot import take_snapshot
from machines.operator import holds, stop_causes
from machines.operator.holds import Holding
from machines.operator.stop_causes import cause_of
from machines.protocol.recesses import Recess
from machines.recovery import Cause

log = logging.getLogger(__name__)


class MustNotPrint(DayrollError):
    """Another board has taken over this machine: this one prints no more."""

    def __init__(self, why: str) -> None:
        super().__init__(
            f"fenced off, this board prints no more: {why}", "to let it print again, enrol it with a new code"
        )


class Printer:
    """Prints what the journal holds, at its time.

    Attributes:
        steps: taken so far.
    """

    def __init__(
        self,
        journal: Journal,
        server_time: Callable[[], Estimate | None],
        plates: PlateCache,
        open_driver: OpenDriver,
        columns_per_commit: int,
        *,
        resume_unattended: bool = False,
        inquiry: WorkInquiry | None = None,
    ) -> None:
        """Wire it up.

        Args:
            journal: the node's.
            server_time: the estimate at this moment; None before the first word from the server.
            plates: fetched ahead.
            open_driver: makes the machine's driver for a profile and a run.
            columns_per_commit: so many columns are ordered at once, but at least a burst, and so many may be unknown
                after a power cut. More of them wear a memory card less: each commit of orders and each of outcomes is
                one synchronous write.
            resume_unattended: after an unplanned stop it prints on by itself; without this it waits for a person.
            inquiry: what the exchange tells of its passes; None where there is none, and nothing to wait for.
        """
        self._journal = journal
        self._server_time = server_time
        self._resume_unattended = resume_unattended
        self._inquiry = inquiry
        self._interruption = Interruption(journal)
        self.in_hand = OrdersInHand(journal, plates, self._time)
        self._machine = MachineAtHand(journal, self._interruption, open_driver, resume_unattended=resume_unattended)
        self._settling = Settling(journal, plates, self.in_hand, self._interruption, inquiry)
        self._slip = SlipWatch(journal, plates)
        self._laying = Laying(
            journal, plates, self._machine, self.in_hand, self._interruption, columns_per_commit, self._slip
        )
        self._hands = Handworker(journal, self._machine)
        self.steps = 0
        self._rested_as = ""
        self._in_recess = False
        self._began_after: Cause = "power"
        self._compared = False  # the journal with what the machine remembers
        self._held: HeldWork | None = None
        self._held_version = -1

    @property
    def laying(self) -> bool:
        """Whether the machine is being told to move now."""
        return self._laying.busy or self._hands.busy

    @property
    def asked_every_s(self) -> float:
        """How often the machine is to be asked how it is, by a step, real seconds; infinite where none is open."""
        driver = self._machine.driver
        return NOTHING_DUE if driver is None else driver.asked_every_s

    def rests_as(self, hold: str) -> bool:
        """Whether it came to rest as a person has it, by the hold of the journal: nothing is under way until that is
        another."""
        return self._rested_as == hold

    def begin(self) -> None:
        """Take up the journal. What a person asked of the agent before is void: who asked may be gone."""
        job.end_all(self._journal, "the agent began anew")
        self._began_after = reporting.begin(self._journal, resume_unattended=self._resume_unattended)
        self._interruption.begin(self._began_after)

    def end(self) -> None:
        """Stop in order: nothing is under way when this returns."""
        self.in_hand.close()
        self._slip.forget()
        self._machine.close()
        with self._journal.transaction() as db:
            state = read_state(db)
            if state.run is not None:
                order_log.report_printed(db, state.run)
        estimate = self._server_time()
        if estimate is not None and (self._is_sure(estimate) or not estimate.doubted) and not state.fenced:
            reporting.report_stop(self._journal, estimate.now)
        with self._journal.transaction() as db:
            change_state(db, running=0)

    def halt(self) -> None:
        """Stop a motion that is under way, from another thread."""
        driver = self._machine.driver
        if driver is not None and self.laying:
            driver.halt()

    def step(self) -> float:
        """Do the next thing, if any is due.

        Returns:
            how long nothing will be due, in the clock's seconds; 0 if something was done.

        Raises:
            MustNotPrint: this node is fenced off.
        """
        self.steps += 1
        now = self._sure_time()
        if self._machine.driver is not None and now is not None and self.in_hand.imminent(now):
            return self._laying.lay_or_wait(self._machine.driver, now)
        state = self._journal.state()
        if state.fenced:
            raise MustNotPrint(state.fenced)
        work = self._current(state)
        if now is not None and reporting.report_all(self._journal, state, now):
            if self._inquiry is not None:
                self._inquiry.tell()
            return 0.0
        if state.handwork and state.hold != holds.PAUSED:
            job.end_all(self._journal, "a person ended the pause")
            return 0.0
        if state.hold:
            return self._rest(state.hold, state, work, now)
        self._rested_as = ""
        if now is None:
            return self._idle("clock")
        return self._follow(state, work, now)

    def _follow(self, state: State, work: HeldWork | None, now: float) -> float:
        """Go on with what is held, whatever is to be done about it first."""
        if self._conclude(state, work, now):
            return 0.0
        if work is None:
            return self._idle("no-work")
        if state.run != work.run.id or state.taking_over:
            return self._adopt(state, work, now)
        return self._tend(state, work, now)

    def _conclude(self, state: State, work: HeldWork | None, now: float) -> bool:
        """Where people ended the run before all of it was laid, tell what was laid last and that nothing is late any
        more, and cap and park. Whether there was anything to do."""
        goes_on = work is not None and work.run.id == state.run and state.next_column < work.run.end_column
        if goes_on or self.in_hand or state.run is None or not self._journal.kept(order_log.is_cut_short):
            return False
        with self._journal.transaction() as db:
            order_log.conclude(db, state.run, now)
        self._machine.close()
        return True

    def _tend(self, state: State, work: HeldWork, now: float) -> float:
        """See to the machine, to the paper that has come to the knife, to what is missing, and to what comes next."""
        recess = self._recess(work, now)
        driver = self._driver_of(work)
        if self._machine.stands_still(driver, now):
            return self._idle("machine")
        if (wait_s := self._compare(driver, now)) is not None:
            return wait_s
        if state.arming_asked and reporting.arm(self._journal, driver, self._journal.state(), now):
            return 0.0
        if recess is not None:
            return NOTHING_DUE if recess.ends_at is None else max(recess.ends_at.timestamp() - now, 0.0)
        snapshot = take_snapshot(self._journal)  # the machine may just have said that its knife is disarmed
        quiet = holding.quiet_s(work.quiet, now) > 0.0
        if not self.in_hand and cutter.cut(self._journal, snapshot, work.profile, driver, now, quiet=quiet):
            return 0.0
        if not self.in_hand and blank_feed.feed(self._journal, snapshot, work.profile):
            return 0.0
        try:
            if self._settling.settle(work, snapshot, now):
                return 0.0
        except bursts.CannotTell:
            return self._idle("no-work")
        if self._settling.waits:
            return NOTHING_DUE
        return 0.0 if self._turn(work) else self._laying.go_on(work, driver, now)

    def _turn(self, work: HeldWork) -> bool:
        """Once all of the run is laid, turn to the one that follows it, whether or not a server can be heard."""
        if not work.is_followed or self.in_hand or self._journal.state().next_column < work.run.end_column:
            return False
        with self._journal.transaction() as db:
            return offers.turn(db)

    def _recess(self, work: HeldWork, now: float) -> Recess | None:
        """The recess that is now: what is not given to the machine yet is withdrawn, and it is capped and parked. What
        is ordered for the next one is withdrawn, too, if it began sooner than was known."""
        recess = work.recess_at(now)
        if self.in_hand and work.recess_at(max(self.in_hand.next_due, now)) is not None:
            self.in_hand.close()
        if recess is not None:
            self._idle("held")
            if not self._in_recess:
                self._machine.close()
                self._slip.forget()
        self._in_recess = recess is not None
        return recess

    def _rest(self, hold: Holding, state: State, work: HeldWork | None, now: float | None) -> float:
        """Nothing moves until a person lets it, or has it do something while it is paused; how the machine is, is still
        looked at. However it comes to rest, it is capped and its knife disarmed; only paused can it be armed again."""
        self._idle("machine" if hold in (holds.UNPLANNED, holds.REFUSING) else "service")
        self._in_recess = False  # by hand it may be uncapped meanwhile
        if self._rested_as != hold:
            self._machine.close()
            reporting.disarm(self._journal, hold)
        self._rested_as = hold
        self._machine.rests()
        self._slip.forget()
        if hold != holds.PAUSED:
            reporting.disarm(self._journal, hold)
        elif self._hands.go_on(now):
            return 0.0
        if work is not None and work.run.id == state.run:
            self._driver_of(work)
        conditions = () if self._machine.driver is None else self._machine.driver.conditions()
        disarmed = stop_causes.KNIFE_OFFLINE in conditions or any(map(stop_causes.stops_printing, conditions))
        if disarmed and self._journal.state().knife_armed:
            reporting.disarm(self._journal, cause_of(conditions))
        if now is not None:
            why = (
                (stop_causes.NO_REASON_GIVEN,)
                if hold == holds.REFUSING and stop_causes.NO_REASON_GIVEN not in conditions
                else ()
            )
            reporting.report_conditions(self._journal, ("paused", *why, *conditions), now)
        return NOTHING_DUE

    def _idle(self, cause: Cause) -> float:
        self.in_hand.close()
        self._interruption.because(cause)
        return NOTHING_DUE

    def _current(self, state: State) -> HeldWork | None:
        """What is held, read again when it changed."""
        if state.work_version != self._held_version:
            with self._journal.reading() as db:
                self._held = holding.held(db)
            self._held_version = state.work_version
        return self._held

    def _sure_time(self) -> float | None:
        """The server's time, POSIX seconds; None unless it is surer than the profile's tolerance."""
        estimate = self._server_time()
        if estimate is None:
            return None
        if self._is_sure(estimate):
            return estimate.now
        if self._held is not None and estimate.rival_now is not None:
            reporting.report_doubt(self._journal, estimate.rival_now, estimate.error_s, self._held.clock_tolerance_s)
        return None

    def _is_sure(self, estimate: Estimate) -> bool:
        """Whether it is printed by: as sure as the profile asks, where one is known."""
        return self._held is None or estimate.error_s <= self._held.clock_tolerance_s

    def _driver_of(self, work: HeldWork) -> Driver:
        if not self._machine.fits(work):
            self.in_hand.close()
        return self._machine.driver_of(work)

    def _compare(self, driver: Driver, now: float) -> float | None:
        """Once, before anything is laid after a start, see whether the machine remembers more paper than the journal.
        Then what may lie there is taken over as from another board, and the last stop was not in order, whatever the
        journal says of one before. None where there is nothing to be done about it."""
        if self._compared:
            return None
        try:
            paper_end = driver.paper_end()
        except MachineStopped as stop:
            reporting.report_conditions(self._journal, stop.keywords, now)
            return self._idle("machine")
        self._compared = True
        with self._journal.reading() as db:
            unknown, state = takeover.paper_unknown(db, paper_end), read_state(db)
        if not unknown or state.run is None:  # at its first run, the paper is from before
            return None
        log.warning("the machine remembers %d columns of paper that this journal does not know of", unknown)
        if self._began_after == "service":
            self._interruption.over("power")
            self._machine.stopped_unseen()
        with self._journal.transaction() as db:
            takeover.begin(db)
        return 0.0

    def _adopt(self, state: State, work: HeldWork, now: float) -> float:
        """Turn to a run that is not the journal's, or take one over, once it is known where to begin."""
        if not work.segments:
            return self._idle("no-work")
        self.in_hand.close()
        self._slip.forget()
        driver = self._driver_of(work)
        if self._machine.stands_still(driver, now):
            return self._idle("machine")
        if not state.taking_over and (wait_s := self._compare(driver, now)) is not None:
            return wait_s
        try:
            self._settling.adopt(work, driver.column_end(), driver.paper_end(), now)
        except MachineStopped as stop:
            reporting.report_conditions(self._journal, stop.keywords, now)
            return self._idle("machine")
        except bursts.CannotTell:
            return self._idle("no-work")
        return 0.0

    def _time(self) -> float:
        estimate = self._server_time()
        assert estimate is not None, "samples are added, never taken away"
        return estimate.now
