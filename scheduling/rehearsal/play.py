"""A block of seasons played event by event: the next of each season at once, in arrays."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from machines.recovery import Cause, Rule
from scheduling.rehearsal.incidents import CAUSES, Drawn, Kind, change_s
from scheduling.rehearsal.outages import Stops, stop
from scheduling.rehearsal.season import Season
from scheduling.rehearsal.spans import BoolArray, FloatArray, IntArray
from scheduling.rehearsal.state import State, backlog, begin, due, head_at, ink_since, look_ahead

# A rest amid what is printed late is no outage of its own: all of it is printed late after the rest, whatever the rule.
GOES_ON, GOES_ON_CLOSED = Rule(kind="replay"), Rule(kind="replay", only_while_closed=True)


@dataclass(frozen=True, eq=False)
class Played:
    """A block of seasons, played to the end.

    Attributes:
        state: how each ended.
        paper: columns of paper that each fed, those printed late after its end included.
        ink_ml: that each used.
        still, late, whole, streaked, right: at each opening, in how many seasons it stood still or printed late; what
            hung was whole; dead nozzles showed; it was true to the sky, what hung whole, and no dead nozzle showed.
    """

    state: State
    paper: FloatArray
    ink_ml: FloatArray
    still: IntArray
    late: IntArray
    whole: IntArray
    streaked: IntArray
    right: IntArray


def play(season: Season, drawn: Drawn) -> Played:
    """Play the seasons of a block."""
    table = _Table(season, drawn, begin(season, len(drawn)))
    for step in range(len(drawn.at)):
        table.step(step)
    table.supplies_until(np.full(len(drawn), season.length_s))
    return table.played()


class _Table:
    """The block while it is played."""

    def __init__(self, season: Season, drawn: Drawn, state: State) -> None:
        self.season, self.drawn, self.state = season, drawn, state
        self.seen = {name: np.zeros(len(season.times.openings), dtype=np.int64) for name in _SEEN}
        # By which rule each kind of outage is settled; those of one rule are settled together.
        self.rules: dict[Rule, BoolArray] = {}
        for kind, cause in CAUSES.items():
            self.rules.setdefault(self._rule(cause), np.zeros(len(Kind), dtype=bool))[kind] = True
        windows = season.times.windows
        ends = [end for _, end in windows[1:]] + [season.length_s]
        self.next_end = np.array(ends if windows else [], dtype=np.float64)

    def step(self, step: int) -> None:
        """The next event of each season."""
        at, kind = self.drawn.at[step], self.drawn.kind[step]
        live = at < self.season.length_s
        self.supplies_until(np.where(live, at, -np.inf))
        for rule, kinds in self.rules.items():
            these = np.flatnonzero(live & kinds[kind])
            if len(these):
                until, chance = self.drawn.until[step, these], self.drawn.chance[step, these]
                stop(self.season, self.state, rule, Stops(these, at[these], until, chance))
                look_ahead(self.season, self.state, these)
        for happens, done in ((Kind.NOZZLE, self._nozzle), (Kind.VISIT, self._visit), (Kind.OPENING, self._opening)):
            these = np.flatnonzero(live & (kind == happens))
            if len(these):
                done(these, at[these], self.drawn.until[step, these].astype(np.int64))
        if len(self.season.times.rests) and len(these := np.flatnonzero(live & (kind == Kind.REST))):
            self._rest(these, at[these], self.drawn.until[step, these])

    def _rule(self, cause: Cause) -> Rule:
        """The rule alone: a policy is none of the rules by which others are told apart."""
        rule = self.season.policy.rule_for(cause)
        return Rule(
            kind=rule.kind,
            within=rule.within,
            half_printed=rule.half_printed,
            only_while_closed=rule.only_while_closed,
        )

    def supplies_until(self, at: FloatArray) -> None:
        """Rolls and cartridges that end before instants: it stands still until somebody is there and has seen it."""
        season, state, rule = self.season, self.state, self._rule("supplies")
        while len(these := np.flatnonzero(state.supply_at < at)):
            ends = np.maximum(state.supply_at[these], state.now[these])
            there = season.times.there.next_in(ends)
            seen = season.seen(ends)
            state.ran_out[these] += 1
            state.unattended[these] += there > ends
            is_roll = state.is_roll[these]
            stop(season, state, rule, Stops(these, ends, seen + change_s(season), np.ones(len(these))))
            self._new_roll(these[is_roll])
            self._new_cartridge(these[~is_roll])
            look_ahead(season, state, these)

    def _new_roll(self, these: IntArray) -> None:
        self.state.roll_end[these] = self.state.head[these] + self.season.paper.roll
        self.state.rolls[these] += 1

    def _new_cartridge(self, these: IntArray) -> None:
        self.state.ink_left[these] = self.season.ink.cartridge_ml
        self.state.cartridges[these] += 1

    def _new_blade(self, these: IntArray) -> None:
        self.state.blade_end[these] = self.state.head[these] + self.season.paper.blade
        self.state.blades[these] += 1

    def _rest(self, these: IntArray, at: FloatArray, until: FloatArray) -> None:
        """Nothing is laid until it is over. What is missed then goes by the rule for it, but where it still prints late
        what was missed before."""
        season, state = self.season, self.state
        late = backlog(season, state, np.maximum(at, state.now[these]), these) > 0
        closed = state.by_doors[these]
        stops = Stops(these, at, until, np.ones(len(these)), is_rest=True)
        rules = ((self._rule("held"), ~late), (GOES_ON, late & ~closed), (GOES_ON_CLOSED, late & closed))
        for rule, some in rules:
            if some.any():
                stop(season, state, rule, stops.where(some))
        look_ahead(season, state, these)

    def _nozzle(self, these: IntArray, at: FloatArray, number: IntArray) -> None:
        self.state.dead[these] += 1

    def _visit(self, these: IntArray, at: FloatArray, number: IntArray) -> None:
        """Staff clean the head, and change what would not last until the end of the next window."""
        season, state, times = self.season, self.state, self.season.times
        # Parts are changed in a rest without anything being missed; else once whatever else it stands for is over.
        begins = np.where(times.rests.next_out(at) > at, at, np.maximum(at, state.now[these]))
        at = np.maximum(at, state.now[these])
        late = backlog(season, state, at, these)
        head = (due(season, state, at, these) + state.offset[these] - late).astype(np.float64)
        showed = state.dead[these] >= season.passes
        state.streak_end[these] = np.where(showed, head, state.streak_end[these])
        state.dead[these] = 0
        more = 1.0 + season.rates.reserve
        next_end = self.next_end[number]
        columns = (
            season.pace.nominal_columns_per_s * (times.rests.outside(next_end) - times.rests.outside(at)) + late
        ) * more
        used = ink_since(season, state, at, head, these)
        loud_s = times.quiet.outside(next_end) - times.quiet.outside(at)
        ink = season.ink.ml_per_column * columns + season.ink.idle_ml_per_s * loud_s * more
        roll = state.roll_end[these] - head < columns
        cartridge = state.ink_left[these] - used < ink
        blade = state.blade_end[these] - head < columns
        parts = roll.astype(np.int64) + cartridge + blade
        some = parts > 0
        if not some.any():
            return
        stops = Stops(these, begins, begins + parts * change_s(season), np.ones(len(these))).where(some)
        stop(season, state, self._rule("service"), stops)
        self._new_roll(these[roll])
        self._new_cartridge(these[cartridge])
        self._new_blade(these[blade])
        look_ahead(season, state, these[some])

    def _opening(self, these: IntArray, at: FloatArray, number: IntArray) -> None:
        """What is to be seen as the doors open."""
        season, state = self.season, self.state
        still = at < state.now[these]
        then = np.maximum(at, state.now[these])
        behind = backlog(season, state, then, these) > 0
        head = np.where(still, state.still_head[these], head_at(season, state, then, these))
        flaw = np.where(still, state.still_flaw[these], state.flaw_end[these])
        whole = flaw <= head - season.paper.hangs
        dead = state.dead[these] >= season.passes
        streaked = dead | (state.streak_end[these] > head - season.paper.hangs)
        late = behind & ~still
        right = whole & ~still & ~late & ~streaked
        for name, seen in zip(_SEEN, (still, late, whole, streaked, right), strict=True):
            self.seen[name] += np.bincount(number[seen], minlength=len(self.seen[name]))

    def played(self) -> Played:
        """Each season's end."""
        season, state = self.season, self.state
        every = np.arange(len(self.drawn))
        end = np.full(len(every), season.length_s)
        then = np.maximum(end, state.now)
        left = backlog(season, state, then, every)
        head = due(season, state, then, every) + state.offset
        used = ink_since(season, state, then, (head - left).astype(np.float64), every) + season.ink.ml_per_column * left
        paper = (head - season.first_column).astype(np.float64)
        return Played(state, paper, state.ink_used + used, **self.seen)


_SEEN = ("still", "late", "whole", "streaked", "right")


def blocks(seasons: int, block: int) -> Iterator[tuple[int, int]]:
    """The numbers and the lengths of the blocks of so many seasons."""
    for number, first in enumerate(range(0, seasons, block)):
        yield number, min(block, seasons - first)
