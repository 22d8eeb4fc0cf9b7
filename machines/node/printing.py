"""The print loop, in small steps that each say whether they found work. It never waits for the network.

Each step looks at the journal and at the time. A step that changes something commits it before the next one looks, so
the loop may be cut off between any two of its lines.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable

from machines.clock import utc
from machines.drivers import Driver, MachineStopped
from machines.node import facts, gaps, holds, knife, orders, strips
from machines.node import held as holding
from machines.node.bursts import Burst, Held, is_late, next_burst
from machines.node.in_hand import OrdersInHand
from machines.node.journal import Journal, State, change_state, read_state
from machines.node.plates import PlateStore
from machines.node.server_time import Estimate
from machines.profile import Profile
from machines.recovery import Cause, Gap, settle
from machines.wire import RunWork, pace

log = logging.getLogger(__name__)

OpenDriver = Callable[[Profile, RunWork], Driver]
NOTHING_DUE = math.inf


class MustNotPrint(Exception):
    """Another board has taken over this machine: this one prints no more."""


class Printer:
    """Prints what the journal holds, at its time.

    Attributes:
        steps: taken so far.
        laying: whether the machine is being told to lay a burst now.
    """

    def __init__(
        self,
        journal: Journal,
        server_time: Callable[[], Estimate | None],
        plates: PlateStore,
        open_driver: OpenDriver,
        columns_per_commit: int,
        *,
        resume_unattended: bool = False,
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
        """
        self._journal = journal
        self._server_time = server_time
        self._plates = plates
        self._open_driver = open_driver
        self._columns_per_commit = columns_per_commit
        self._resume_unattended = resume_unattended
        self._driver: Driver | None = None
        self.steps = 0
        self.laying = self._parked = False
        self._driver_for: tuple[Profile, int] | None = None
        self._held: Held | None = None
        self._held_version = -1
        self._in_hand = OrdersInHand(journal, plates, self._time)
        # Why nothing could be printed since the last burst or gap; the first reason is the cause of the next gap.
        self._cause: Cause | None = None
        self._resumed = False

    def begin(self) -> None:
        """Take up the journal."""
        self._cause = facts.begin(self._journal, resume_unattended=self._resume_unattended)
        self._resumed = True

    def end(self) -> None:
        """Stop in order: nothing is under way when this returns."""
        self._in_hand.close()
        if self._driver is not None:
            self._driver.close()
        with self._journal.transaction() as db:
            state = read_state(db)
            if state.run is not None:
                orders.report_printed(db, state.run)
            change_state(db, running=0)

    def halt(self) -> None:
        """Stop a motion that is under way, from another thread."""
        driver = self._driver
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
        if self._driver is not None and now is not None and self._in_hand.imminent(now):
            return self._lay_or_wait(self._driver, now)
        state = self._journal.state()
        if state.fenced:
            raise MustNotPrint(state.fenced)
        held = self._current(state)
        if now is not None and (
            facts.report_start(self._journal, state, now) or facts.report_actions(self._journal, state, now)
        ):
            return 0.0
        if state.hold:
            return self._rest(state, held, now)
        self._parked = False
        if now is None:
            return self._idle("clock")
        if held is None:
            return self._idle("no-work")
        if state.run != held.run.id:
            return self._adopt(held, now)
        return self._tend(state, held, now)

    def _tend(self, state: State, held: Held, now: float) -> float:
        """See to the machine, to the paper that has come to the knife, to what is missing, and to what comes next."""
        driver = self._driver_of(held)
        if self._machine_stopped(driver, now):
            return self._idle("machine")
        if state.arming_asked and facts.arm(self._journal, driver, self._journal.state(), now):
            return 0.0
        if not self._in_hand and knife.cut(self._journal, state, held.profile, driver, now):
            return 0.0
        try:
            if self._settle(held, now):
                return 0.0
        except gaps.CannotTell:
            return self._idle("no-work")
        return self._print(held, driver, now)

    def _rest(self, state: State, held: Held | None, now: float | None) -> float:
        """Nothing moves until a person lets it; only how the machine is, is still looked at."""
        self._idle("machine" if state.hold == holds.UNPLANNED else "service")
        if not self._parked and self._driver is not None:
            self._driver.close()
            self._driver = None
        self._parked = True
        facts.disarm(self._journal)
        if now is not None:
            of_run = held is not None and held.run.id == state.run
            conditions = self._driver_of(held).conditions() if held is not None and of_run else ()
            facts.report_conditions(self._journal, ("paused", *conditions), now)
        return NOTHING_DUE

    def _idle(self, cause: Cause) -> float:
        self._in_hand.close()
        self._hold_up(cause)
        return NOTHING_DUE

    def _hold_up(self, cause: Cause) -> None:
        if self._cause is None:
            self._cause = cause

    def _current(self, state: State) -> Held | None:
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
        if estimate.doubted:
            facts.report_conditions(self._journal, (facts.TIME_IN_DOUBT,), estimate.now)
            return None
        if self._held is not None and estimate.error_s > self._held.clock_tolerance_s:
            return None
        return estimate.now

    def _driver_of(self, held: Held) -> Driver:
        wanted = (held.profile, held.run.nozzle_seed)
        if self._driver is None or self._driver_for != wanted:
            self._in_hand.close()
            if self._driver is not None:
                self._driver.close()
            self._driver = self._open_driver(held.profile, held.run)
            self._driver_for = wanted
        return self._driver

    def _adopt(self, held: Held, now: float) -> float:
        """Turn to a run that is not the journal's, once it is known where to begin: at its first column, or where the
        board before this one stopped, as the server offers only what is not accounted for."""
        if not held.segments:
            return self._idle("no-work")
        self._in_hand.close()
        first_column = max(held.run.first_column, held.segments[0].first_column)
        driver = self._driver_of(held)
        if self._machine_stopped(driver, now):
            return self._idle("machine")
        try:
            paper_end = driver.paper_end() or 0
        except MachineStopped as stop:
            facts.report_conditions(self._journal, stop.keywords, now)
            return self._idle("machine")
        with self._journal.transaction() as db:
            orders.adopt(db, held, first_column, paper_end)
        self._cause = "late-start" if is_late(held, first_column, now) else None
        self._resumed = False
        return 0.0

    def _machine_stopped(self, driver: Driver, now: float) -> bool:
        conditions = driver.conditions()
        facts.report_conditions(self._journal, conditions, now)
        stopped = any(map(facts.stops_printing, conditions))
        if stopped or (facts.KNIFE_OFFLINE in conditions and self._journal.state().knife_armed):
            facts.disarm(self._journal)
        if stopped and self._cause is None:  # until now it printed
            self._hold_unless_unattended()
        return stopped

    def _hold_unless_unattended(self) -> None:
        if not self._resume_unattended:
            facts.hold_after_unplanned_stop(self._journal)

    def _settle(self, held: Held, now: float) -> bool:
        """Settle a gap by the policy, if there is one.

        Raises:
            CannotTell: how much is missing.
        """
        if self._in_hand:
            if self._in_hand.catching_up or not is_late(held, self._in_hand.next_column, now):
                return False
            self._in_hand.close()
        with self._journal.reading() as db:
            state, unknown_end = read_state(db), orders.unknown_end(db)
        missing = gaps.find(held, state, unknown_end, resumed=self._resumed, now=now)
        if missing is None:
            return False
        cause = self._cause or "machine"
        gap = Gap(**vars(missing), cause=cause, noticed_at=utc(now))
        decision = settle(held.policy, gap, pace(held.profile, held.run))
        with self._journal.transaction() as db:
            orders.settle(db, held, gap, decision)
        self._cause, self._resumed = None, False
        self._in_hand.begin_replay(now)
        message = "columns %d to %d are missing (%s), %d of them perhaps on the paper: %s, as %s"
        log.warning(message, gap.first, gap.end, cause, len(decision.unknown), decision.action, decision.reason)
        return True

    def _print(self, held: Held, driver: Driver, now: float) -> float:
        """Order the next bursts, if it is time, and lay them, each at its own."""
        if self._in_hand:
            return self._lay(driver, now)
        state = self._journal.state()
        planned = self._plan(held, state)
        if not planned:
            if state.next_column < held.run.end_column:
                self._hold_up("no-work")
            return NOTHING_DUE
        order_in_s = self._in_hand.order_at(held, planned[0], catching_up=state.catching_up) - now
        if order_in_s > 0:
            return order_in_s
        try:
            self._in_hand.take(held, planned, now, catching_up=state.catching_up)
        except FileNotFoundError:  # the exchange has just learned of another plate and pruned this one
            self._hold_up("no-work")
            return NOTHING_DUE
        return 0.0

    def _plan(self, held: Held, state: State) -> list[Burst]:
        """The bursts to order together: those of one commit, or all parts of one burst; at most up to where the knife
        must be looked at again."""
        with self._journal.reading() as db:
            cuts_due = [strip.place + held.profile.knife_columns for strip in strips.pending(db)]
        column, position = state.next_column, state.paper_position
        burst_end = held.profile.burst_start(column) + held.profile.columns_per_burst
        enough = max(burst_end, column + self._columns_per_commit)
        planned: list[Burst] = []
        while column < enough:
            burst = next_burst(held, column, position, cuts_due)
            if burst is None or burst.end_column > enough or not self._plates.has(held.plate_of(burst.first_column)):
                break
            planned.append(burst)
            column, position = burst.end_column, burst.end_place
            if position in cuts_due or held.boundaries(burst.first_column, burst.end_column):
                break
        return planned

    def _lay_or_wait(self, driver: Driver, now: float) -> float:
        """Nothing but the next burst matters now; while it is awaited, the machine is asked how it is, and whether a
        person wants it to stand still; without waiting for the journal, which another thread may be writing."""
        if self._in_hand.due_in_s(now) > 0:
            state = self._journal.glance()
            stopped = any(map(facts.stops_printing, driver.conditions()))
            if stopped or (state is not None and state.hold):
                self._in_hand.close()
                return 0.0
        return self._lay(driver, now)

    def _lay(self, driver: Driver, now: float) -> float:
        due_in_s = self._in_hand.due_in_s(now)
        if due_in_s > 0:
            return due_in_s
        self.laying = True
        try:
            self._in_hand.lay(driver)
        except MachineStopped as stop:
            facts.disarm(self._journal)
            facts.report_conditions(self._journal, stop.keywords, now)
            self._hold_up("machine")
            self._hold_unless_unattended()
        else:
            self._cause, self._resumed = None, False
        finally:
            self.laying = False
        return 0.0

    def _time(self) -> float:
        estimate = self._server_time()
        assert estimate is not None, "samples are added, never taken away"
        return estimate.now
