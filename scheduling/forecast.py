"""What a machine's run has used and will use of paper, ink and blades, and which turn ends the roll.

The log knows what was fed and cut, not when a roll or a blade was changed or how much paper was threaded by hand: rolls
are taken to be new at the first column and used to their end, one after the other. Look at the roll as a cross-check.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from machines.clock import utc
from machines.node.strips import boundaries
from machines.profile import Profile
from machines.supplies import IdleFiring, Use, turn_that_ends_roll, use
from scheduling.log.models import Machine, Run, Segment, Strip
from scheduling.plates import PlateStore
from scheduling.selectors import current_run, machine_profile, run_timeline

# Any run that is planned, however far away.
_EVER = datetime.max.replace(tzinfo=UTC)


@dataclass(frozen=True, kw_only=True)
class Supplies:
    """What some printing uses up.

    Attributes:
        paper_mm: fed.
        picture_ml: ink of the dots; None where no plate is drawn yet from which it could be told.
        idle_ml: ink fired to keep nozzles open; None where nobody said how that is done.
        cuts: strokes of the knife.
        blades: how many blades they wear out; a part of one counts as such.
    """

    paper_mm: float
    picture_ml: float | None
    idle_ml: float | None
    cuts: int
    blades: float


@dataclass(frozen=True, kw_only=True)
class Roll:
    """The roll at the machine.

    Attributes:
        length_m: of a new one, from the profile.
        number: which one it is, from 1, if each was used to its end.
        left_m: on it, from the head on.
    """

    length_m: float
    number: int
    left_m: float


@dataclass(frozen=True, kw_only=True)
class RollEnd:
    """Where the roll ends within the run: the turn, the running column, and when that belongs under the head."""

    turn: int
    column: int
    at: datetime


@dataclass(frozen=True, kw_only=True)
class Blade:
    """The knife's blade: cuts made by the machine, how many a blade makes, and how many blades that is."""

    cuts_made: int
    cuts_per_blade: int
    blades_worn: float


@dataclass(frozen=True, kw_only=True)
class RunForecast:
    """What a run has used and will use.

    Attributes:
        id: of the run.
        next_column: that is to be printed next.
        per_turn: a whole turn, as dark as the plates that are drawn are on average.
        used, to_come: until now, and from now on.
        estimated_columns: of those to come, how many have no plate yet and are taken to be as dark as the others.
        roll_ends: within the run; None where the roll outlasts it.
    """

    id: str
    next_column: int
    per_turn: Supplies
    used: Supplies
    to_come: Supplies
    estimated_columns: int
    roll_ends: RollEnd | None


@dataclass(frozen=True, kw_only=True)
class Forecast:
    """What runs out when.

    Attributes:
        machine: whose.
        at: when this was told, UTC.
        run: that it is on or will be on next; None for none.
        roll: at the machine.
        blade: of the knife; None where there is none.
    """

    machine: str
    at: datetime
    run: RunForecast | None
    roll: Roll
    blade: Blade | None


def forecast(machine: Machine, now: datetime, plates: PlateStore, idle: IdleFiring | None = None) -> Forecast:
    """What a machine has used, will use, and when its roll ends.

    Args:
        machine: whose.
        now: this instant, UTC.
        plates: where plates lie, for the ink of their dots.
        idle: how nozzles are kept open; None where nobody said.
    """
    profile = machine_profile(profile=machine.profile_id)
    roll = roll_of(profile, machine.paper_position)
    run = current_run(machine=machine.id, before=_EVER)
    return Forecast(
        machine=machine.id,
        at=now,
        run=None if run is None else _of_run(run, profile, roll, _tally(run, profile, plates), now, idle),
        roll=roll,
        blade=_blade(machine, profile),
    )


def _of_run(
    run: Run, profile: Profile, roll: Roll, tally: _Tally, now: datetime, idle: IdleFiring | None
) -> RunForecast:
    following = run.first_column + run.printed + run.skipped + run.unknown
    return RunForecast(
        id=run.id,
        next_column=following,
        per_turn=_per_turn(run, profile, tally, idle),
        used=_used(run, profile, tally, now, idle),
        to_come=_to_come(run, profile, tally, following, now, idle),
        estimated_columns=tally.unplanned,
        roll_ends=_roll_end(run, profile, following, roll),
    )


def roll_of(profile: Profile, paper_position: int) -> Roll:
    """The roll at the head when so many columns of paper have been fed."""
    fed_m, length_m = paper_position * profile.column_pitch_mm / 1000.0, profile.media.roll_m
    used_up = int(fed_m / length_m * (1 + 1e-12))
    return Roll(length_m=length_m, number=used_up + 1, left_m=max(0.0, length_m - (fed_m - used_up * length_m)))


@dataclass(frozen=True)
class _Tally:
    """Columns and dots of a run: printed, due and with a plate, due and without one."""

    printed: int
    printed_dots: int
    due: int
    due_dots: int
    unplanned: int

    @property
    def dots_per_column(self) -> float | None:
        """The mean of all columns that have a plate; None where none has."""
        with_plate = self.printed + self.due
        return (self.printed_dots + self.due_dots) / with_plate if with_plate else None

    @property
    def dots_to_come(self) -> float | None:
        """Due dots, those without a plate estimated from all that have one; None where none has."""
        if not self.unplanned:
            return self.due_dots
        mean = self.dots_per_column
        return None if mean is None else self.due_dots + self.unplanned * mean


def _tally(run: Run, profile: Profile, plates: PlateStore) -> _Tally:
    columns_and_dots = np.zeros((2, 2), dtype=np.int64)  # printed, due
    in_columns: dict[str, NDArray[np.int64]] = {}
    for segment in Segment.objects.filter(run_id=run.id).order_by("plate"):
        if segment.plate not in in_columns:
            in_columns = {segment.plate: plates.get(segment.plate).dots.sum(axis=0)}  # one at a time
        columns = np.arange(segment.first_column, segment.end_column)
        dots = in_columns[segment.plate][columns % profile.columns_per_turn]
        columns_and_dots += [[mask.sum(), dots[mask].sum()] for mask in _masks(segment)]
    (printed, printed_dots), (due, due_dots) = columns_and_dots.tolist()
    return _Tally(printed, printed_dots, due, due_dots, run.end_column - run.planned_to_column)


def _masks(segment: Segment) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which columns of a segment are printed, and which are due."""
    columns = segment.end_column - segment.first_column
    printed, due = np.zeros(columns, dtype=np.bool_), np.ones(columns, dtype=np.bool_)
    for first, end, outcome in segment.outcomes:
        place = slice(first - segment.first_column, end - segment.first_column)
        due[place] = False
        printed[place] = outcome == "printed"
    return printed, due


def _per_turn(run: Run, profile: Profile, tally: _Tally, idle: IdleFiring | None) -> Supplies:
    mean, columns = tally.dots_per_column, profile.columns_per_turn
    turn = use(
        profile,
        columns=columns,
        dots=round((mean or 0.0) * columns),
        seconds=run.mean_turn_s,
        cuts=run.strips_per_turn,
        idle=idle,
    )
    return _supplies(profile, turn, idle, known=mean is not None)


def _used(run: Run, profile: Profile, tally: _Tally, now: datetime, idle: IdleFiring | None) -> Supplies:
    seconds = (min(now, run.ends_at) - run.starts_at).total_seconds()
    cuts = Strip.objects.filter(run_id=run.id, made=True).count()
    used = use(
        profile,
        columns=tally.printed,
        dots=tally.printed_dots,
        seconds=max(0.0, seconds),
        cuts=cuts,
        idle=idle,
    )
    return _supplies(profile, used, idle)


def _to_come(
    run: Run, profile: Profile, tally: _Tally, following: int, now: datetime, idle: IdleFiring | None
) -> Supplies:
    seconds = (run.ends_at - max(now, run.starts_at)).total_seconds()
    dots = tally.dots_to_come
    will_be_used = use(
        profile,
        columns=tally.due + tally.unplanned,
        dots=round(dots or 0.0),
        seconds=max(0.0, seconds),
        cuts=len(_cuts_to_come(run, profile, following)),
        idle=idle,
    )
    return _supplies(profile, will_be_used, idle, known=dots is not None)


def _cuts_to_come(run: Run, profile: Profile, following: int) -> list[int]:
    """Boundaries that come to the knife from now until the run's last column is laid; the rest hangs uncut."""
    at_knife, in_the_end = following - profile.knife_columns, run.end_column - profile.knife_columns
    after = max(run.first_column, at_knife) - 1
    return boundaries(after, in_the_end - 1, profile.columns_per_turn, run.strips_per_turn)


def _supplies(profile: Profile, used: Use, idle: IdleFiring | None, known: bool = True) -> Supplies:
    return Supplies(
        paper_mm=used.paper_mm,
        picture_ml=used.picture_ml if known else None,
        idle_ml=None if idle is None else used.idle_ml,
        cuts=used.cuts,
        blades=used.blades(profile),
    )


def _roll_end(run: Run, profile: Profile, following: int, roll: Roll) -> RollEnd | None:
    columns = int(roll.left_m * 1000.0 / profile.column_pitch_mm * (1 + 1e-12))
    column = following + columns
    if column >= run.end_column:
        return None
    at = run_timeline(run).instants(np.array([column]))[0]
    turn = turn_that_ends_roll(profile, following, roll.left_m)
    return RollEnd(turn=turn, column=column, at=utc(float(at)))


def _blade(machine: Machine, profile: Profile) -> Blade | None:
    if profile.knife is None:
        return None
    runs = Run.objects.filter(machine_id=machine.id).values("id")
    cuts = Strip.objects.filter(run_id__in=runs, made=True).count()
    return Blade(
        cuts_made=cuts,
        cuts_per_blade=profile.knife.cuts_per_blade,
        blades_worn=cuts / profile.knife.cuts_per_blade,
    )
