"""How the machine stands in each season of a block, in arrays.

A column c that is laid after the newest outage lies at the place ``c + offset``. While the machine is true to the sky
the head is where the due column lies; while it catches up it is behind by a backlog, which shrinks by what the machine
is faster. So nothing is moved on from event to event: where the head is follows from the instant.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scheduling.rehearsal.season import Season
from scheduling.rehearsal.spans import BoolArray, FloatArray, IntArray

NOWHERE = -(2**60)


@dataclass(eq=False)
class State:
    """A block of seasons.

    Attributes:
        now: since when it stands as it does, seconds since the run began.
        offset: place less column of what is laid next.
        backlog: columns to be laid late at ``now``.
        by_doors: whether it catches up only while closed.
        until: when it is true again.
        shift: by how much the timeline has waited, seconds.
        head: place of the head at ``now``.
        flaw_end: the place behind the last seam, blank or doubtful column.
        still_head, still_flaw: where head and newest flaw were while it stood still, before ``now``.
        roll_end, blade_end: places at which roll and blade are used up.
        ink_left: in the cartridge at ``now``.
        supply_at, is_roll: when the next supply ends if nothing is changed, and whether that is the roll.
        dead, streak_end: nozzles that are dead; the place behind the last column that dead ones have streaked.
        off_s, down_s: off the sky, and standing still, of that.
        blank: places fed blank.
        ink_used, skipped, unknown, rolls, cartridges, blades, ran_out, unattended: so many.
    """

    now: FloatArray
    offset: IntArray
    backlog: IntArray
    by_doors: BoolArray
    until: FloatArray
    shift: FloatArray
    head: FloatArray
    flaw_end: IntArray
    still_head: FloatArray
    still_flaw: IntArray
    roll_end: FloatArray
    blade_end: FloatArray
    ink_left: FloatArray
    supply_at: FloatArray
    is_roll: BoolArray
    dead: IntArray
    streak_end: FloatArray
    off_s: FloatArray
    down_s: FloatArray
    blank: IntArray
    ink_used: FloatArray
    skipped: IntArray
    unknown: IntArray
    rolls: IntArray
    cartridges: IntArray
    blades: IntArray
    ran_out: IntArray
    unattended: IntArray


def begin(season: Season, seasons: int) -> State:
    """So many seasons as the run begins."""

    def floats(value: float = 0.0) -> FloatArray:
        return np.full(seasons, value)

    def counts(value: int = 0) -> IntArray:
        return np.full(seasons, value, dtype=np.int64)

    first, paper = season.first_column, season.paper
    never = np.zeros(seasons, dtype=bool)
    state = State(
        now=floats(), offset=counts(), backlog=counts(), by_doors=never, until=floats(), shift=floats(),
        head=floats(first), flaw_end=counts(NOWHERE),  still_head=floats(first),
        still_flaw=counts(NOWHERE), roll_end=floats(first + paper.left), blade_end=floats(first + paper.blade_left),
        ink_left=floats(season.ink.left_ml), supply_at=floats(), is_roll=never.copy(), dead=counts(),
        streak_end=floats(NOWHERE), off_s=floats(), down_s=floats(), blank=counts(), ink_used=floats(),
        skipped=counts(), unknown=counts(), rolls=counts(), cartridges=counts(), blades=counts(), ran_out=counts(),
        unattended=counts(),
    )  # fmt: skip
    look_ahead(season, state, np.arange(seasons))
    return state


def due(season: Season, state: State, at: FloatArray, these: IntArray) -> IntArray:
    """The first column that is due at instants or after them."""
    turned = (at - state.shift[these]) * season.pace.nominal_columns_per_s
    return season.first_column + np.ceil(turned - 1e-6).astype(np.int64)


def backlog(season: Season, state: State, at: FloatArray, these: IntArray) -> IntArray:
    """How many columns of some seasons are still late at instants."""
    left = np.where(at < state.until[these], state.backlog[these], 0)
    late = np.flatnonzero(left)  # mostly few, and to look at closed hours costs most
    if len(late):
        of, then = these[late], at[late]
        elapsed = then - state.now[of]
        if (doors := state.by_doors[of]).any():
            closed = season.times.closed
            elapsed = np.where(doors, closed.passed(then) - closed.passed(state.now[of]), elapsed)
        gain = season.pace.highest_columns_per_s - season.pace.nominal_columns_per_s
        left[late] = np.maximum(0, np.ceil(left[late] - gain * elapsed - 1e-6).astype(np.int64))
    return left


def head_at(season: Season, state: State, at: FloatArray, these: IntArray) -> FloatArray:
    """Where the head is at instants from ``now`` on."""
    place = due(season, state, at, these) + state.offset[these] - backlog(season, state, at, these)
    return place.astype(np.float64)


def ink_since(season: Season, state: State, at: FloatArray, head: FloatArray, these: IntArray) -> FloatArray:
    """How much ink was used from ``now`` to instants at which the head is where it is said to be, millilitres."""
    laid, quiet = head - state.head[these], season.times.quiet
    loud_s = quiet.outside(at) - quiet.outside(state.now[these])
    return season.ink.ml_per_column * laid + season.ink.idle_ml_per_s * loud_s


def look_ahead(season: Season, state: State, these: IntArray) -> None:
    """When roll or ink of some seasons ends if nobody changes it, and no rest comes before. While it catches up, paper
    is taken to be fed evenly until it is true again, which it is but where it waits for closed hours; idle nozzles are
    taken to be fired evenly, too."""
    v, now, until = (
        season.pace.nominal_columns_per_s,
        state.now[these],
        np.maximum(state.until[these], state.now[these]),
    )
    late_s = until - now
    true_head = season.first_column + v * (until - state.shift[these]) + state.offset[these]
    laid = np.maximum(0.0, true_head - state.head[these])
    paper_at = _ends(state.roll_end[these] - state.head[these], laid, late_s, v)
    ink = season.ink
    ink_at = _ends(
        state.ink_left[these],
        ink.ml_per_column * laid + season.idle_ml_per_s * late_s,
        late_s,
        ink.ml_per_column * v + season.idle_ml_per_s,
    )
    state.is_roll[these] = paper_at <= ink_at
    state.supply_at[these] = now + np.minimum(paper_at, ink_at)


def _ends(left: FloatArray, used_late: FloatArray, late_s: FloatArray, per_s: float) -> FloatArray:
    """In how many seconds so much is used: first evenly what is used while it is late, then so much a second."""
    left = np.maximum(0.0, left)
    if per_s <= 0.0:
        return np.full(left.shape, np.inf)
    is_late = left < used_late
    share = np.divide(left, used_late, out=np.zeros_like(left), where=is_late)
    return np.where(is_late, share * late_s, late_s + (left - used_late) / per_s)
