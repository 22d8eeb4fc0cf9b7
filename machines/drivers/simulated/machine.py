"""A simulated machine: a driver like any other, whose paper is a folder.

It sets each dot by the nozzles or in the strobe that the head's plan says, so that a fault of the plan shows on the
paper. An order is done in an instant: all passes over its columns, lead-in and lead-out included, as if the head could
reach back over them. It never prints over what lies there. What is wrong with the machine, a plan of faults
says.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from machines.clock import Clock
from machines.drivers import MachineStopped
from machines.drivers.idle_nozzles import IdleNozzles
from machines.drivers.simulated.faults import CANNOT_CUT, FaultPlan, blade_says, dead_nozzles, feed_gain, keywords
from machines.drivers.simulated.mechanics import fed_to, keep_body, read_body, shifted
from machines.drivers.simulated.paper import NO_COLUMN, PaperWriter, column_end, paper_png
from machines.model.calibration import UNCALIBRATED, Calibration
from machines.model.head import HeadPlan, plan
from machines.model.position import Feed
from machines.model.profile import CarriageHead, LineHead, Profile
from machines.model.strobes import strobes

Dots = NDArray[np.bool_]
# Beyond this the picture of the paper shows the newest part only: closing must not take long.
LARGEST_PICTURE_COLUMNS = 50_000


def no_faults() -> FaultPlan:
    """Nothing is ever wrong."""
    return _NO_FAULTS


_NO_FAULTS = FaultPlan()
# How often it wants to be asked how it is, as a real one does; real seconds.
ASKED_EVERY_S = 0.5


class SimulatedMachine:
    """A machine of any profile."""

    def __init__(
        self,
        folder: Path,
        profile: Profile,
        nozzle_seed: int,
        clock: Clock,
        *,
        calibration: Calibration | None = None,
        faults: Callable[[], FaultPlan] = no_faults,
        draws: bool = True,
        asked_every_s: float = ASKED_EVERY_S,
    ) -> None:
        """Thread the folder's paper.

        Args:
            folder: of the paper, new or printed on before.
            profile: of the machine.
            nozzle_seed: of the assignment of nozzles.
            clock: the true one; the paper keeps the true instants, whatever the board beside it believes.
            calibration: what was measured of it; what it orders its motor and its nozzles follows from it.
            faults: what is wrong with it, asked anew for each order.
            draws: whether closing it leaves a picture of the paper.
            asked_every_s: how often it wants to be asked how it is, real seconds; so late are its faults seen.

        Raises:
            InputError: the folder's paper is that of another machine, or the calibration.
        """
        self._calibration = calibration or UNCALIBRATED
        self._calibration.check(profile)
        self._folder = folder
        self.profile = profile
        self._seed = nozzle_seed
        self._clock = clock
        self._faults = faults
        self._draws = draws
        self.asked_every_s = asked_every_s
        self.paper = PaperWriter(folder, profile)
        self._body = read_body(folder, self.paper.end)
        self._idle = IdleNozzles.of(profile, clock.now())
        self._quiet_until = -math.inf

    def lay(self, place: int, dots: Dots, first_column: int) -> None:
        """Set columns from a place on.

        Raises:
            MachineStopped: something lies there already, and the paper remembers the order; or the machine stands
                still, and nothing was laid.
            ValueError: dots of another height than the head's.
        """
        self._lay(place, dots.shape, first_column, lambda dead: self._set(dots, first_column, dead))

    def lay_pattern(self, place: int, pattern: Dots | HeadPlan) -> None:
        """Set what is of no picture from a place on.

        Raises:
            MachineStopped, ValueError: as `lay`.
        """
        if isinstance(pattern, HeadPlan):
            self._lay(place, pattern.numbers.shape, NO_COLUMN, pattern.laid)
            self._opened(pattern)
        else:
            self._lay(place, pattern.shape, NO_COLUMN, lambda dead: self._set(pattern, place, dead))

    def _lay(
        self, place: int, shape: tuple[int, ...], first_column: int, set_dots: Callable[[Collection[int]], Dots]
    ) -> None:
        rows, columns = shape
        if rows != self.profile.dots_across:
            raise ValueError(f"{rows} dots in a column of {self.profile.dots_across}")
        now = self._clock.now()
        if place < self.paper.end:
            self.paper.refuse(place, first_column, columns, now)
            raise MachineStopped("other-error")
        self._stand_still_if_stopped(now)
        self._spit(now)
        dots = set_dots(dead_nozzles(self._faults().active(now)))
        true_places = self._feed_to(place + np.arange(columns), now)
        self.paper.lay(place, dots, first_column, np.full(columns, now), true_places)
        keep_body(self._folder, self._body)

    def keep_open(self) -> None:
        """Fire nozzles that have been idle for too long into the waste, and count their drops.

        Raises:
            MachineStopped: the machine stands still.
        """
        now = self._clock.now()
        self._stand_still_if_stopped(now)
        if self._spit(now):
            keep_body(self._folder, self._body)

    def keep_quiet(self, for_s: float) -> None:
        """Fire no idle nozzle for so long from now, seconds."""
        self._quiet_until = self._clock.now() + for_s

    @property
    def waste_drops(self) -> int:
        """What was fired into the waste so far, by all nozzles."""
        return self._body.waste_drops

    def cut(self, place: int) -> None:
        """Cut at the place under the knife.

        Raises:
            MachineStopped: the place is not there, as a real knife would cut in the wrong one; the machine stands
                still; or the blade is worn out.
        """
        knife_place = place + self.profile.knife_columns
        if knife_place < self.paper.end:
            raise MachineStopped("separation-cutter-unrecoverable-failure-error")
        now = self._clock.now()
        self._stand_still_if_stopped(now)
        wear, made = self._faults().blade(now), self._cuts_made(now)
        if wear is not None and made >= wear[0].cuts:
            raise MachineStopped(CANNOT_CUT)
        under_head = self._feed_to(np.array([knife_place]), now)[0]
        true_place = float(under_head) - self.profile.knife_columns
        ragged = wear is not None and made >= wear[0].clean_cuts
        self.paper.cut(place, now, true_place=true_place, ragged=ragged)
        keep_body(self._folder, self._body)

    def arm(self) -> None:
        """Nothing to do: the agent alone keeps this knife from cutting."""

    def paper_end(self) -> int | None:
        """The place after the last column on the paper."""
        return self.paper.end

    def column_end(self) -> int | None:
        """The running column after the last on the paper."""
        return column_end(self._folder)

    def set_place(self, place: int) -> bool:
        """Nothing to do: it knows its place from its paper."""
        return False

    def feed(self) -> Feed | None:
        """Where the paper stands by order and by the encoder; None where the profile has none."""
        pitch_mm = self.profile.encoder_pitch_mm
        if pitch_mm is None:
            return None
        self._let_jump(self._clock.now())
        counts = math.floor(self._body.true_place * self.profile.column_pitch_mm / pitch_mm + 1e-9)
        return Feed(place=self._body.standing, measured_mm=counts * pitch_mm)

    def correct(self, mm: float) -> float:
        """Feed so much more, or so much less of what comes next; all of it is done.

        Raises:
            MachineStopped: the machine stands still.
        """
        now = self._clock.now()
        self._stand_still_if_stopped(now)
        self._let_jump(now)
        self._body = shifted(self._body, mm * self._gain(now) / self.profile.column_pitch_mm)
        keep_body(self._folder, self._body)
        return mm

    def conditions(self) -> tuple[str, ...]:
        """What is wrong now."""
        now = self._clock.now()
        faults = self._faults()
        wear = faults.blade(now)
        return keywords(faults.active(now)) + (() if wear is None else blade_says(wear[0], self._cuts_made(now)))

    def halt(self) -> None:
        """Nothing to do: an order is done in an instant."""

    def close(self) -> None:
        """Stop, and leave a picture of the paper as a viewer sees it, ``paper.png``, where it draws."""
        end = self.paper.end
        self.paper.close()
        if end and self._draws:
            first = max(0, end - LARGEST_PICTURE_COLUMNS)
            picture = paper_png(self._folder, first, end, self.profile.travel)
            partial = self._folder / "paper.png.partial"
            partial.write_bytes(picture)
            partial.rename(self._folder / "paper.png")

    def _stand_still_if_stopped(self, now: float) -> None:
        stopped_by = keywords(self._faults().active(now))
        if stopped_by:
            raise MachineStopped(*stopped_by)

    def _gain(self, now: float) -> float:
        """Columns of paper that come for each that was ordered."""
        return feed_gain(self._faults().active(now)) / self._calibration.feed_factor

    def _feed_to(self, places: NDArray[np.int64], now: float) -> NDArray[np.float64]:
        self._let_jump(now)
        self._body, true_places = fed_to(self._body, places, self._gain(now))
        return true_places

    def _let_jump(self, now: float) -> None:
        jumps_mm = self._faults().jumps_mm(self._body.as_of, now)
        for mm in jumps_mm:
            self._body = shifted(self._body, mm / self.profile.column_pitch_mm)
        if jumps_mm:
            self._body = replace(self._body, as_of=now)
            keep_body(self._folder, self._body)

    def _spit(self, now: float) -> int:
        """How many drops were fired into the waste just now; dead nozzles try in vain, but are tried."""
        if self._idle is None or now < self._quiet_until:
            return 0
        due = self._idle.due(now)
        self._idle.opened(due, now)
        drops = int(due.sum()) * self._idle.drops
        self._body = replace(self._body, waste_drops=self._body.waste_drops + drops)
        return drops

    def _opened(self, head_plan: HeadPlan) -> None:
        if self._idle is not None:
            self._idle.opened(np.flatnonzero(head_plan.drops()), self._clock.now())

    def _cuts_made(self, now: float) -> int:
        """By the blade that is in, if its wear is known."""
        wear = self._faults().blade(now)
        return 0 if wear is None else sum(wear[1] <= at for at in self.paper.cut_at)

    def _set(self, dots: Dots, first_column: int, dead: Collection[int]) -> Dots:
        """What reaches the paper."""
        head = self.profile.head
        if isinstance(head, CarriageHead):
            head_plan = plan(dots, first_column, head, self._seed, self._calibration.dead_nozzles)
            self._opened(head_plan)
            return head_plan.laid(dead)
        return _set_by_line(dots, head, dead)


def _set_by_line(dots: Dots, head: LineHead, dead: Collection[int]) -> Dots:
    """The dots of one strobe after another."""
    strobe_of = strobes(dots, head)
    paper = np.zeros_like(dots)
    for strobe in range(int(strobe_of.max(initial=-1)) + 1):
        paper |= strobe_of == strobe
    paper[[row for row in dead if row < len(paper)]] = False
    return paper
