"""Doing what a person asked for while the machine is paused, a part in each step of the print loop."""

from __future__ import annotations

import logging

from machines.drivers import Driver, MachineStopped
from machines.model.profile import Profile
from machines.node.device import cutter, reporting
from machines.node.device.controller import MachineAtHand
from machines.node.device.usage import drops_of
from machines.node.manual import job
from machines.node.manual.job import DONE, KNOWS, Handwork
from machines.node.manual.prints import LARGEST_PART, HandPrint
from machines.node.store import strips
from machines.node.store.journal import Journal, State
from machines.node.work import held_work as holding
from machines.node.work import order_log
from machines.node.work.snapshot import take_snapshot
from machines.operator import stop_causes
from machines.operator.stop_causes import cause_of
from machines.protocol.messages import RunWork
from machines.recovery import Span

log = logging.getLogger(__name__)

# Before the first run nobody has chosen how dots are assigned to nozzles.
NO_RUN = RunWork(id="", first_column=0, end_column=0, strips_per_turn=0, nozzle_seed=0, mean_turn_s=86400.0)


class Handworker:
    """Does it.

    Attributes:
        busy: whether the machine is being told to move now.
    """

    def __init__(self, journal: Journal, machine: MachineAtHand) -> None:
        """Wire it up; see `machines.node.printing.loop.Printer`."""
        self._journal = journal
        self._machine = machine
        self._prepared: tuple[int, Profile, HandPrint] | None = None
        self._quiet: tuple[Span, ...] = ()
        self.busy = False

    def go_on(self, now: float | None) -> bool:
        """Arm the knife, if a person asked, or do the next part of what was asked for; ``now`` by the server, POSIX
        seconds, None where it is not known.

        Returns:
            whether there was anything to do.
        """
        state = self._journal.state()
        if not state.handwork and not state.arming_asked:
            return False
        with self._journal.reading() as db:
            work, machine, held_work = job.current(db), holding.machine(db), holding.work_held(db)
        if machine is None or held_work is None:
            return False
        profile, calibration = machine
        driver = self._machine.driver_for(profile, held_work.run or NO_RUN, calibration)
        driver.keep_quiet(0.0)  # what a person has it do, it does as ever; by itself the knife does not move
        self._quiet = held_work.quiet
        if now is not None and state.arming_asked:
            return reporting.arm(self._journal, driver, state, now)
        return work is not None and self._do(work, state, profile, driver, now)

    def _do(self, work: Handwork, state: State, profile: Profile, driver: Driver, now: float | None) -> bool:
        self.busy = True
        try:
            if work.action == "place-set":
                self._tell_place(work, profile, driver)
                return True
            standing = next(filter(stop_causes.stops_printing, driver.conditions()), "")
            if standing:
                raise MachineStopped(standing)
            self._next(work, state, profile, driver, now)
        except MachineStopped as stop:
            reporting.disarm(self._journal, cause_of(stop.keywords))
            self._end(work, f"the machine stopped ({', '.join(stop.keywords)})")
        finally:
            self.busy = False
        return True

    def _tell_place(self, work: Handwork, profile: Profile, driver: Driver) -> None:
        """Tell a machine that has lost it where its paper stands; that it has is itself a condition that stops it."""
        if work.place is not None:
            told = driver.set_place(work.place + work.given - 1)
            self._end(work, DONE if told else KNOWS)
        elif driver.paper_end() is not None:
            self._end(work, KNOWS)
        else:
            with self._journal.transaction() as db:
                job.begin_telling(db, work, profile)

    def _next(self, work: Handwork, state: State, profile: Profile, driver: Driver, now: float | None) -> None:
        if work.place is None:
            machine_end = driver.paper_end() or 0
            with self._journal.transaction() as db:
                job.begin(db, work, profile, machine_end)
            return
        if now is not None and self._cut_strips(profile, driver, now):
            return
        printed = self._print_of(work, profile)
        cut_place = None if printed.cut_column is None else work.place + printed.cut_column
        to_knife = 0 if work.action == "cut" else profile.knife_columns
        if (
            cut_place is not None
            and work.given == cut_place - work.place + to_knife
            and self._cut(work, state, cut_place, driver)
        ):
            return
        if work.given < printed.columns:
            self._lay_part(work, printed, profile, driver, now)
        else:
            self._end(work, DONE)

    def _cut_strips(self, profile: Profile, driver: Driver, now: float) -> bool:
        quiet = holding.quiet_s(self._quiet, now) > 0.0
        return cutter.cut(self._journal, take_snapshot(self._journal), profile, driver, now, quiet=quiet)

    def _print_of(self, work: Handwork, profile: Profile) -> HandPrint:
        """Made once, not for each part."""
        if self._prepared is None or self._prepared[:2] != (work.id, profile):
            self._prepared = (work.id, profile, work.on(profile))
        return self._prepared[2]

    def _lay_part(
        self, work: Handwork, printed: HandPrint, profile: Profile, driver: Driver, now: float | None
    ) -> None:
        """Up to where the knife must be looked at."""
        assert work.place is not None, "it was begun"
        here = work.place + work.given
        with self._journal.reading() as db:
            stops = [strip.place + profile.knife_columns - here for strip in strips.pending(db)]
        if printed.cut_column is not None:
            stops.append(printed.cut_column + profile.knife_columns - work.given)
        columns = min([LARGEST_PART, printed.columns - work.given, *(stop for stop in stops if stop > 0)])
        part = printed.part(work.given, work.given + columns)
        with self._journal.transaction() as db:
            job.give(db, work, columns)
            order_log.count_drops(db, drops_of(part, profile), now)
        driver.lay_pattern(here, part)

    def _cut(self, work: Handwork, state: State, place: int, driver: Driver) -> bool:
        """Cut there, unless that is done; whether there was anything to do."""
        if place == state.cut_place:  # a strip's boundary lay there too
            return False
        if not state.knife_armed or place < 0:
            self._end(work, "the knife is disarmed" if place >= 0 else "no paper has come to the knife yet: feed first")
            return True
        driver.cut(place)
        with self._journal.transaction() as db:
            cutter.note_cut(db, place)
        return True

    def _end(self, work: Handwork, how: str) -> None:
        self._prepared = None
        with self._journal.transaction() as db:
            job.end(db, work, how)
        log.warning("by hand, %s: %s", work.pattern or work.action, how)
