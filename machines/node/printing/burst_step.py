"""Laying bursts: which to order together, when to order them, and each at its own instant."""

from __future__ import annotations

import math

from machines.drivers import Driver, MachineStopped
from machines.node.device.controller import MachineAtHand
from machines.node.device.slip_correction import SlipWatch
from machines.node.printing.order_queue import OrdersInHand
from machines.node.store.journal import Journal
from machines.node.work.bursts import Burst, next_burst
from machines.node.work.held_work import HeldWork, quiet_s
from machines.node.work.interruption import Interruption
from machines.node.work.plate_cache import PlateCache
from machines.node.work.snapshot import Snapshot, take_snapshot
from machines.operator import stop_causes

NOTHING_DUE = math.inf


class Laying:
    """Orders the next bursts and lays them.

    Attributes:
        busy: whether the machine is being told to lay a burst now.
    """

    def __init__(
        self,
        journal: Journal,
        plates: PlateCache,
        machine: MachineAtHand,
        in_hand: OrdersInHand,
        interruption: Interruption,
        columns_per_commit: int,
        slip: SlipWatch,
    ) -> None:
        """Wire it up; see `machines.node.printing.loop.Printer`."""
        self._journal = journal
        self._plates = plates
        self._machine = machine
        self._in_hand = in_hand
        self._interruption = interruption
        self._columns_per_commit = columns_per_commit
        self._slip = slip
        self.busy = False

    def go_on(self, work: HeldWork, driver: Driver, now: float) -> float:
        """Order the next bursts, if it is time, or lay the next one in hand.

        Returns:
            as a step of the print loop: how long nothing will be due, seconds; 0 if something was done.
        """
        if self._in_hand:
            return self._lay(driver, now)
        snapshot = take_snapshot(self._journal)
        state, planned = snapshot.state, self._plan(work, snapshot, now)
        if not planned and (wait_s := self._recess_in_s(work, snapshot, now)) is not None:
            return self._wait(work, driver, wait_s, now)
        if not planned:
            if state.next_column < work.run.end_column:
                self._interruption.because("no-work")
            return NOTHING_DUE
        order_in_s = self._in_hand.order_at(work, planned[0], catching_up=state.catching_up) - now
        if order_in_s > 0:
            return self._wait(work, driver, order_in_s, now)
        closed_only = snapshot.recovery.closed_only
        try:
            self._in_hand.take(work, planned, now, catching_up=state.catching_up, closed_only=closed_only)
        except FileNotFoundError:  # the exchange has just learned of another plate and pruned this one
            self._interruption.because("no-work")
            return NOTHING_DUE
        return 0.0

    def _wait(self, work: HeldWork, driver: Driver, wait_s: float, now: float) -> float:
        """Between bursts, with time to spare, the nozzles are kept open, unless it is to be quiet."""
        driver.keep_quiet(quiet_s(work.quiet, now))
        try:
            driver.keep_open()
        except MachineStopped as stop:
            self._machine.stopped_laying(stop, now)
        return wait_s

    def lay_or_wait(self, driver: Driver, now: float) -> float:
        """Nothing but the next burst matters now; while it is awaited, the machine is asked how it is, and whether a
        person wants it to stand still; without waiting for the journal, which another thread may be writing."""
        if self._in_hand.due_in_s(now) > 0:
            state = self._journal.glance()
            stopped = any(map(stop_causes.stops_printing, driver.conditions()))
            if stopped or (state is not None and state.hold):
                self._in_hand.close()
                return 0.0
        return self._lay(driver, now)

    def _recess_in_s(self, work: HeldWork, snapshot: Snapshot, now: float) -> float | None:
        """How long until a recess begins in which what comes next would be laid; None where it is laid before one."""
        burst = next_burst(work, snapshot.state.next_column, snapshot.state.paper_position, ())
        recess = None if burst is None else work.recess_at(max(burst.due, now))
        return None if recess is None else max(recess.starts_at.timestamp() - now, 0.0)

    def _plan(self, work: HeldWork, snapshot: Snapshot, now: float) -> list[Burst]:
        """The bursts to order together: those of one commit, or all parts of one burst; at most up to where the knife
        must be looked at again, and nothing that would be laid in a recess."""
        state, left_out = snapshot.state, snapshot.recovery.left_out
        cuts_due = [strip.place + work.profile.knife_columns for strip in snapshot.pending]
        column, position = state.next_column, state.paper_position
        burst_end = work.profile.burst_start(column) + work.profile.columns_per_burst
        enough = max(burst_end, column + self._columns_per_commit)
        planned: list[Burst] = []
        while column < enough:
            burst = next_burst(work, column, position, cuts_due)
            if burst is None or burst.end_column > enough or not self._plates.has(work.plate_of(burst.first_column)):
                break
            if work.recess_at(max(burst.due, now)) is not None:
                break
            planned.append(burst)
            column, position = burst.end_column, burst.end_place
            if position in cuts_due or work.boundaries(burst.first_column, burst.end_column):
                break
            if left_out is not None and column == left_out.first:
                break
        return planned

    def _lay(self, driver: Driver, now: float) -> float:
        due_in_s = self._in_hand.due_in_s(now)
        if due_in_s > 0:
            return due_in_s
        self.busy = True
        try:
            work, burst = self._in_hand.lay(driver)
        except MachineStopped as stop:
            self._machine.stopped_laying(stop, now)
        else:
            self._interruption.over()
            self._machine.followed()
            self._slip.look(driver, work, burst, now)
        finally:
            self.busy = False
        return 0.0
