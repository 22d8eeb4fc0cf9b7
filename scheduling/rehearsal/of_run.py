"""A run of the log in the numbers that it is played with: from its machine, its venue's calendar and its own policy."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from functools import cached_property
from typing import get_args

import numpy as np

from machines.errors import InputError
from machines.model.profile import CarriageHead
from machines.model.slots import boundaries
from machines.model.supplies import whole_columns
from scheduling.outages.imagined import RunThere
from scheduling.outages.open_outage import CLOSED_AHEAD
from scheduling.paper.quiet_cuts import held_cuts
from scheduling.planning.days_spans import DAYS
from scheduling.planning.local_spans import Instants
from scheduling.planning.opening_hours import Hours, OpenSpan, Week, open_spans
from scheduling.planning.service_windows import ServiceSpan, ServiceWindow, Weekday, Weekly, spans
from scheduling.queries.runs import recesses_of, run_instants, run_policy
from scheduling.rehearsal.rates import DAY_S, Rates
from scheduling.rehearsal.season import Ink, Paper, Season, Times
from scheduling.rehearsal.spans import Spans
from scheduling.rendering.plate_store import PlateStore
from scheduling.supplies.consumption import Supplies, idle_firing, part_supplies
from scheduling.supplies.parts import Cartridge, blade, cartridge, roll_at
from scheduling.venues.hours import venue_closed, venue_hours
from scheduling.venues.quiet import QuietBetween, loud_s, quiet_of
from scheduling.venues.run_recesses import recesses_closed
from scheduling.venues.service_windows import windows_of

# Where nobody has set hours, somebody is taken to be there at these.
ASSUMED_HOURS = Hours(week=Week(**dict.fromkeys(DAYS, (OpenSpan(opens="10:00", closes="18:00"),))))
# When staff would come in a window of every week that is tried, by the venue's clock.
TRIED = ("09:00", "11:00")
# Closed hours are looked for so much longer than the run, for what is caught up with at its end.
BEYOND = timedelta(days=32)
LONGEST_DAYS = 3660
# Of a strip in so many some blade's edge is worn, however quiet it is.
ALL_BUT_NONE = 1.0 - 1e-6


class RunInNumbers:
    """A run, from now or its beginning on, as it is played.

    Raises:
        InputError: nothing of it is to come.
    """

    def __init__(self, there: RunThere, now: datetime, plates: PlateStore) -> None:
        self.there, self.plates, self.run = there, plates, there.run
        self.now = now
        self.first_column = there.due(max(now, self.run.starts_at))
        if self.first_column >= self.run.end_column or self.run.withdrawn_at is not None:
            raise InputError("run", f"nothing of run {self.run.id} is to come", "name one that is not over")
        self.begins = there.instant(self.first_column)
        self.length_s = (self.run.end_column - self.first_column) / there.pace.nominal_columns_per_s
        if self.length_s > LONGEST_DAYS * DAY_S:
            raise InputError("run", "it lasts for more than ten years", "rehearse a shorter one")

    @property
    def ends(self) -> datetime:
        """When its last column is laid, at the run's mean pace, UTC."""
        return self.begins + timedelta(seconds=self.length_s)

    @property
    def is_at_machine(self) -> bool:
        """Whether what is at the machine now is what it begins with: no other run comes before it."""
        to_come = self.there.context.run_to_come
        return to_come is not None and to_come.id == self.run.id

    @cached_property
    def windows(self) -> list[ServiceSpan]:
        """The service windows that begin in it."""
        found = windows_of(self.there.context.at_venue, self.begins, self.ends)
        return sorted((one for one in found if one.starts_at >= self.begins), key=lambda one: one.starts_at)

    def season(self, rates: Rates) -> Season:
        """It in numbers."""
        pace, profile = self.there.pace, self.there.profile
        return Season(
            length_s=self.length_s,
            first_column=self.first_column,
            pace=pace,
            segments_per_turn=self.run.segments_per_turn,
            passes=profile.head.passes if isinstance(profile.head, CarriageHead) else 1,
            paper=self._paper(),
            ink=self._ink(),
            times=self._times(),
            policy=run_policy(self.run),
            rates=rates,
        )

    def weekly(self) -> dict[str, tuple[tuple[float, float], ...]]:
        """Windows of every week, by the day, such as staff might come in instead."""
        begins, ends = TRIED
        clock = self.there.context.at_venue.clock
        found: dict[str, tuple[tuple[float, float], ...]] = {}
        for day in get_args(Weekday):
            comes = Weekly(weekday=day, begins=begins, ends=ends)
            window = ServiceWindow(id=day, name=day, comes=comes, begins_at=None)
            times = spans([window], clock, self.begins, self.ends)
            found[day] = self._seconds((one.starts_at, one.ends_at) for one in times if one.starts_at >= self.begins)
        return found

    @property
    def is_ink_known(self) -> bool:
        """Whether the ink of its picture can be told: that of a head without ink, and that of one whose plates are
        drawn, at least some of them."""
        return not isinstance(self.there.profile.head, CarriageHead) or self.supplies.picture_ml is not None

    @cached_property
    def supplies(self) -> Supplies:
        """What the whole run takes, by its plates."""
        return part_supplies(self.there.context, self.run, self.plates).supplies

    @cached_property
    def held_share(self) -> float:
        """Which share of its strips comes to the knife in quiet hours, and is not cut."""
        profile, run = self.there.profile, self.run
        strips = boundaries(self.first_column - 1, run.end_column - 1, profile.columns_per_turn, run.strips_per_turn)
        held = held_cuts(strips, run, profile, lambda of: run_instants(run, of, self.there.timeline), self._quiet)
        # Where all of them are held, a blade is never worn.
        return min(float(held.mean()), ALL_BUT_NONE) if len(held) else 0.0

    @property
    def rests(self) -> tuple[Instants, ...]:
        """The spans in which nothing of it is laid, within it and for what is caught up with at its end: as people hold
        it, and closed hours where it is printed only while open."""
        end = self.ends + BEYOND
        recesses = (*recesses_of(self.run), *recesses_closed(self.run, self.there.venue, self.begins, end))
        spans = ((max(one.starts_at, self.begins), min(one.ends_at or end, end)) for one in recesses)
        return tuple((begins, ends) for begins, ends in spans if begins < ends)

    @property
    def _quiet(self) -> QuietBetween | None:
        return quiet_of(self.there.venue)

    def _paper(self) -> Paper:
        profile, per_turn = self.there.profile, self.there.profile.columns_per_turn
        roll = float(max(1, whole_columns(profile, profile.media.roll_m)))
        left = float(whole_columns(profile, roll_at(self.there.context).left_m)) if self.is_at_machine else roll
        if profile.knife is None or not self.run.strips_per_turn:
            return Paper(roll=roll, left=left, hangs=per_turn)
        of_a_cut = per_turn / self.run.strips_per_turn / (1.0 - self.held_share)
        full = profile.knife.cuts_per_blade * of_a_cut
        at_machine = blade(self.there.context) if self.is_at_machine else None
        made = 0 if at_machine is None else at_machine.cuts_made
        return Paper(roll=roll, left=left, hangs=profile.knife_columns, blade=full, blade_left=full - made * of_a_cut)

    def _ink(self) -> Ink:
        head, run = self.there.profile.head, self.run
        if not isinstance(head, CarriageHead):
            return Ink(ml_per_column=0.0)
        used, columns = self.supplies, run.end_column - run.first_column
        picture, idle = (used.picture_ml or 0.0) / columns, (used.idle_ml or 0.0)
        fired_s = loud_s(self._quiet, run.starts_at, run.ends_at)
        idle_ml_per_s = idle / fired_s if fired_s else 0.0
        if head.cartridge_ml is None:
            return Ink(ml_per_column=picture, idle_ml_per_s=idle_ml_per_s)
        there = self._cartridge() if self.is_at_machine else None
        left = head.cartridge_ml if there is None else there.left_ml
        return Ink(ml_per_column=picture, idle_ml_per_s=idle_ml_per_s, cartridge_ml=head.cartridge_ml, left_ml=left)

    def _cartridge(self) -> Cartridge | None:
        """That in the head, with what was fired of it to keep nozzles open."""
        context = self.there.context
        return cartridge(context, self.plates, self.now, idle_firing(context.profile))

    def _times(self) -> Times:
        venue, context = self.there.venue, self.there.context.at_venue
        hours = venue_hours(venue) or ASSUMED_HOURS
        windows = self._seconds((one.starts_at, one.ends_at) for one in self.windows)
        open_there = self._seconds(open_spans(hours, context.clock, self.begins, self.ends + BEYOND))
        closed = self._seconds(venue_closed(venue, self.begins, self.ends + BEYOND))
        quiet = () if self._quiet is None else self._seconds(self._quiet(self.begins, self.ends + BEYOND))
        openings = [one.opens_at for one in context.openings if self.begins <= one.opens_at < self.ends]
        day = self.begins.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)
        return Times(
            hours=Spans.of(open_there),
            closed=Spans.of(closed),
            known_ahead_s=CLOSED_AHEAD.total_seconds(),
            windows=windows,
            openings=np.array([(at - self.begins).total_seconds() for at in openings]),
            until_day_s=(day - self.begins).total_seconds(),
            rests=Spans.of(self._seconds(self.rests)),
            quiet=Spans.of(quiet),
        )

    def _seconds(self, pairs: Iterable[Instants]) -> tuple[tuple[float, float], ...]:
        return tuple(((a - self.begins).total_seconds(), (b - self.begins).total_seconds()) for a, b in pairs)
