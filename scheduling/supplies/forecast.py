"""What a machine's run has used and will use, and where within it roll, cartridge and blade end."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from machines.clock import utc
from machines.model.profile import IdleFiring
from machines.model.supplies import idle_ml, use, whole_columns
from scheduling.log.models import Strip
from scheduling.queries.machine_context import MachineContext
from scheduling.queries.venue_context import VenueContext
from scheduling.rendering.plate_store import PlateStore
from scheduling.sky.civil import day_bounds
from scheduling.supplies.change_dates import Change, Consumable, change_before
from scheduling.supplies.consumption import Supplies, idle_firing
from scheduling.supplies.parts import Blade, Cartridge, Roll, blade, cartridge, roll_at
from scheduling.supplies.remaining_work import RemainingColumns, RemainingWork
from scheduling.venues.hours import venue_closed
from scheduling.venues.quiet import loud_s, quiet_of


@dataclass(frozen=True, kw_only=True)
class End:
    """Where a part ends within the run.

    Attributes:
        turn: in which.
        column: running column: the first that the paper or the ink no longer serves, or whose place the last cut of
            the blade is made at.
        at: when it ends, UTC.
        falls: on the day of an opening or while the venue is closed, in words; None where on neither.
        warning: the same with the instant by the venue's clock, and what to do; None where there is nothing to warn of.
        change: in which service window it is to be changed.
    """

    turn: int
    column: int
    at: datetime
    falls: str | None
    warning: str | None
    change: Change


@dataclass(frozen=True, kw_only=True)
class RunForecast:
    """What a run has used and will use.

    Attributes:
        id: of the run.
        next_column: that is to be printed next.
        per_turn: a whole turn, as dark as the plates that are drawn are on average.
        used, to_come: until now, and from now on.
        estimated_columns: of those to come, how many have no plate yet and are taken to be as dark as the others.
        roll_ends, cartridge_ends, blade_ends: within the run; None where it lasts, where there is none, or where
            nothing is known of it.
    """

    id: str
    next_column: int
    per_turn: Supplies
    used: Supplies
    to_come: Supplies
    estimated_columns: int
    roll_ends: End | None
    cartridge_ends: End | None
    blade_ends: End | None


@dataclass(frozen=True, kw_only=True)
class Forecast:
    """What runs out when.

    Attributes:
        machine: whose.
        at: when this was told, UTC.
        run: that it is on or will be on next; None for none.
        roll: at the machine.
        cartridge: in the head; None for a line head, and where the profile does not say how much one holds.
        blade: of the knife; None where there is none.
    """

    machine: str
    at: datetime
    run: RunForecast | None
    roll: Roll
    cartridge: Cartridge | None
    blade: Blade | None


def forecast(context: MachineContext, now: datetime, plates: PlateStore, idle: IdleFiring | None = None) -> Forecast:
    """What a machine has used, will use, and when its parts end.

    Args:
        context: the machine.
        now: this instant, UTC, which may be before the one that the machine was read at.
        plates: where plates lie, for the ink of their dots.
        idle: how nozzles are kept open; None for what the profile says.

    Raises:
        PlateGone: not one of the plates is there.
    """
    idle = idle or idle_firing(context.profile)
    parts, run, of_run = (
        (roll_at(context), cartridge(context, plates, now, idle), blade(context)),
        context.run_to_come,
        None,
    )
    if run is not None:
        of_run = _of_run(context.at_venue, RemainingWork.of(context, run, plates, now, idle), *parts)
    return Forecast(
        machine=context.machine.id,
        at=now,
        run=of_run,
        roll=parts[0],
        cartridge=parts[1],
        blade=parts[2],
    )


def coming_changes(context: MachineContext, now: datetime) -> tuple[tuple[Consumable, End], ...]:
    """Where roll and blade end within the run that a machine is on or will be on next, in order of time.

    No plate is opened for it, so that it may be asked for often; so nothing is told of ink.
    """
    run, there = context.run_to_come, context.at_venue
    if run is None:
        return ()
    quiet, segments = quiet_of(there.venue), context.segments_to_come
    due = RemainingColumns.of_run(run, context.profile_of(run), context.timeline, now, segments, quiet, there.venue)
    ends: list[tuple[Consumable, End | None]] = [("roll", _roll_end(there, due, roll_at(context)))]
    if (at_machine := blade(context)) is not None:
        ends.append(("blade", _blade_end(there, due, at_machine)))
    found = [(part, end) for part, end in ends if end is not None]
    return tuple(sorted(found, key=lambda one: one[1].at))


def _of_run(
    there: VenueContext, ahead: RemainingWork, roll: Roll, cartridge: Cartridge | None, blade: Blade | None
) -> RunForecast:
    return RunForecast(
        id=ahead.run.id,
        next_column=ahead.next_column,
        per_turn=_per_turn(ahead),
        used=_used(ahead),
        to_come=_to_come(ahead),
        estimated_columns=ahead.unplanned,
        roll_ends=_roll_end(there, ahead, roll),
        cartridge_ends=None if cartridge is None else _cartridge_end(there, ahead, cartridge),
        blade_ends=None if blade is None else _blade_end(there, ahead, blade),
    )


def _per_turn(ahead: RemainingWork) -> Supplies:
    mean, columns = ahead.dots_per_column, ahead.profile.columns_per_turn
    return ahead.supplies(
        columns=columns,
        dots=None if mean is None else mean * columns,
        seconds=ahead.run.mean_turn_s,
        cuts=ahead.run.strips_per_turn,
    )


def _used(ahead: RemainingWork) -> Supplies:
    run = ahead.run
    return ahead.supplies(
        columns=ahead.fed,
        dots=ahead.printed_dots,
        seconds=loud_s(ahead.quiet, run.starts_at, min(ahead.now, run.ends_at)),
        cuts=Strip.objects.filter(run_id=run.id, made=True).count(),
    )


def _to_come(ahead: RemainingWork) -> Supplies:
    run, mean, dots = ahead.run, ahead.dots_per_column, float(ahead.due_dots.sum())
    known = mean is not None or not ahead.unplanned
    return ahead.supplies(
        columns=len(ahead.due) + ahead.unplanned,
        dots=dots + ahead.unplanned * (mean or 0.0) if known else None,
        seconds=loud_s(ahead.quiet, max(ahead.now, run.starts_at), run.ends_at),
        cuts=len(ahead.cuts),
    )


def _roll_end(there: VenueContext, ahead: RemainingColumns, roll: Roll) -> End | None:
    column = ahead.column_to_come(whole_columns(ahead.profile, roll.left_m))
    return None if column >= ahead.run.end_column else _end(there, ahead, "roll", column)


def _cartridge_end(there: VenueContext, ahead: RemainingWork, cartridge: Cartridge) -> End | None:
    """The first column to come for which the ink is not enough."""
    head = ahead.profile.head
    of_dot_ml = use(ahead.profile, columns=0, dots=1).picture_ml
    idle_s = ahead.loud_share * ahead.run.mean_turn_s / ahead.profile.columns_per_turn
    of_column_ml = idle_ml(head, idle_s, ahead.idle) if ahead.idle and head.kind == "carriage" else 0.0
    needed_ml = np.cumsum(ahead.due_dots * of_dot_ml + of_column_ml)
    short = int(np.searchsorted(needed_ml, cartridge.left_ml, side="right"))
    if short < len(ahead.due):
        return _end(there, ahead, "cartridge", ahead.column_to_come(short))
    if not ahead.unplanned or ahead.dots_per_column is None:
        return None
    left_ml = cartridge.left_ml - (float(needed_ml[-1]) if len(needed_ml) else 0.0)
    of_column_ml += ahead.dots_per_column * of_dot_ml
    columns = int(left_ml / of_column_ml) if of_column_ml else ahead.unplanned
    if columns >= ahead.unplanned:
        return None
    return _end(there, ahead, "cartridge", ahead.column_to_come(len(ahead.due) + columns))


def _blade_end(there: VenueContext, ahead: RemainingColumns, blade: Blade) -> End | None:
    """The last cut that the blade is good for, when its place comes to the knife; the next one, where it is overdue."""
    left = max(1, blade.cuts_per_blade - blade.cuts_made)
    if left > len(ahead.cuts):
        return None
    boundary = ahead.boundary(left - 1)
    return _end(there, ahead, "blade", boundary, boundary + ahead.profile.knife_columns)


def _end(
    there: VenueContext, ahead: RemainingColumns, part: Consumable, column: int, at_column: int | None = None
) -> End:
    """An end at a column, at the instant of that column or of another."""
    at = utc(float(ahead.instants(column if at_column is None else at_column)))
    return end_at(there, part, column // ahead.profile.columns_per_turn, column, at, ahead.now)


def end_at(there: VenueContext, part: Consumable, turn: int, column: int, at: datetime, after: datetime) -> End:
    """An end at an instant, with what the venue's own calendar says of it.

    Args:
        there: where the machine stands.
        part: which.
        turn, column: see `End`.
        at: when it ends, UTC.
        after: service windows that are over by then, UTC, do not count.
    """
    falls, local = _falls(there, at), at.astimezone(there.clock)
    return End(
        turn=turn,
        column=column,
        at=at,
        falls=falls,
        warning=None if falls is None else f"{local:%Y-%m-%d %H:%M}, {falls}: change it before",
        change=change_before(there, part, after, at),
    )


def _falls(there: VenueContext, at: datetime) -> str | None:
    """What makes an instant a bad one for a change, in words."""
    names, is_closed = falls_on(there, at)
    said = [f"on the day of {name}" for name in names]
    if is_closed:
        said.append("while the venue is closed")
    return " and ".join(said) or None


def falls_on(there: VenueContext, at: datetime) -> tuple[tuple[str, ...], bool]:
    """The names of the openings of an instant's day, and whether the venue is closed then: by its own calendar."""
    begins, ends = day_bounds(at.astimezone(there.clock).date(), there.clock)
    names = tuple(opening.name for opening in there.openings if begins <= opening.opens_at < ends)
    return names, bool(venue_closed(there.venue, at, at + timedelta(microseconds=1)))
