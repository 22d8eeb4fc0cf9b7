"""The rules of a season in a plain loop of Python: one season after the other, event by event, each outage settled by
the very function that node and server settle with. The judge of what is played in arrays, and its baseline in time."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from random import Random

from machines.model.slots import slot_of, slot_start
from machines.recovery import Cause, Columns, Decision, Gap, Policy, Span, settle
from scheduling.rehearsal.incidents import CAUSES, Drawn, Kind
from scheduling.rehearsal.rates import INCIDENTS
from scheduling.rehearsal.season import Season

BEGAN = datetime(2026, 3, 1, tzinfo=UTC)
DAY_S = 86400.0


@dataclass
class Told:
    """What came of a season, and what each opening showed."""

    off_s: float = 0.0
    down_s: float = 0.0
    paper: float = 0.0
    ink_ml: float = 0.0
    blank: int = 0
    skipped: int = 0
    unknown: int = 0
    rolls: int = 0
    cartridges: int = 0
    blades: int = 0
    ran_out: int = 0
    unattended: int = 0
    seen: tuple[tuple[bool, bool, bool, bool, bool], ...] = ()


class Loop:
    """One season while it is played."""

    def __init__(self, season: Season) -> None:
        self.season, self.told = season, Told()
        self.v, self.w = season.pace.nominal_columns_per_s, season.pace.highest_columns_per_s
        self.now = self.until = self.shift = 0.0
        self.offset = self.backlog = self.dead = 0
        self.by_doors = False
        self.head = float(season.first_column)
        self.flaw = self.still_flaw = -math.inf
        self.streak = -math.inf
        self.still_head = self.head
        self.roll_end = season.first_column + season.paper.left
        self.blade_end = season.first_column + season.paper.blade_left
        self.ink_left = season.ink.left_ml
        self.closed = list(zip(season.times.closed.starts.tolist(), season.times.closed.ends.tolist(), strict=True))
        self.there = list(zip(season.times.there.starts.tolist(), season.times.there.ends.tolist(), strict=True))
        self.there_ends = [end for _, end in self.there]
        self.rests = list(zip(season.times.rests.starts.tolist(), season.times.rests.ends.tolist(), strict=True))
        self.quiet = list(zip(season.times.quiet.starts.tolist(), season.times.quiet.ends.tolist(), strict=True))
        self.idle = season.ink.idle_ml_per_s * self.outside(self.quiet, 0.0, season.length_s) / season.length_s
        self.look_ahead()

    def next_there(self, at: float) -> float:
        index = bisect_right(self.there_ends, at)
        begins: float = self.there[index][0] if index < len(self.there) else math.inf
        return max(at, begins)

    def seen(self, at: float) -> float:
        """When somebody sees that it stands still: of the time of notice nothing passes while nobody is there."""
        return self.next_there(self.next_there(at) + self.season.rates.notice_hours * 3600.0)

    def closed_s(self, begins: float, ends: float) -> float:
        return sum(max(0.0, min(last, ends) - max(first, begins)) for first, last in self.closed)

    def outside(self, spans: list[tuple[float, float]], begins: float, ends: float) -> float:
        """How long it is none of some spans between two instants; less than nothing where the end comes first."""
        if ends < begins:
            return -self.outside(spans, ends, begins)
        return ends - begins - sum(max(0.0, min(last, ends) - max(first, begins)) for first, last in spans)

    def next_out(self, at: float) -> float:
        return next((last for first, last in self.rests if first <= at < last), at)

    def due(self, at: float) -> int:
        return self.season.first_column + math.ceil((at - self.shift) * self.v - 1e-6)

    def behind(self, at: float) -> int:
        if not self.backlog or at >= self.until:
            return 0
        elapsed = self.closed_s(self.now, at) if self.by_doors else at - self.now
        return max(0, math.ceil(self.backlog - (self.w - self.v) * elapsed - 1e-6))

    def head_at(self, at: float) -> int:
        return self.due(at) + self.offset - self.behind(at)

    def ink_to(self, at: float, head: float) -> float:
        ink = self.season.ink
        loud_s = self.outside(self.quiet, self.now, at)
        return ink.ml_per_column * (head - self.head) + ink.idle_ml_per_s * loud_s

    def look_ahead(self) -> None:
        ink, until = self.season.ink, max(self.until, self.now)
        late_s = until - self.now
        true_head = self.season.first_column + self.v * (until - self.shift) + self.offset
        laid = max(0.0, true_head - self.head)
        paper_at = ends_after(self.roll_end - self.head, laid, late_s, self.v)
        used = ink.ml_per_column * laid + self.idle * late_s
        ink_at = ends_after(self.ink_left, used, late_s, ink.ml_per_column * self.v + self.idle)
        self.is_roll = paper_at <= ink_at
        self.supply_at = self.now + min(paper_at, ink_at)

    def stop(
        self,
        cause: Cause,
        at: float,
        until: float,
        chance: float = 1.0,
        policy: Policy | None = None,
        is_rest: bool = False,
    ) -> bool:
        season, policy = self.season, policy or self.season.policy
        until, chance = min(self.next_out(until), season.length_s), 1.0 if at < self.now else chance
        at = max(at, self.now)
        if until <= at:
            return False
        gap = self.gap(cause, at, until, chance, policy)
        decision = settle(policy, gap, season.pace)
        head = gap.unknown_end + self.offset
        if at > self.now:
            self.still_head, self.still_flaw = head, self.flaw
        used = self.ink_to(at, head)
        self.told.ink_ml += used
        self.ink_left -= used
        late = decision.late
        true_again = until + decision.hours_until_true * 3600.0 if late else until
        self.told.off_s += self.outside(self.rests, at, min(true_again, season.length_s))
        self.told.off_s -= max(0.0, self.outside(self.rests, at, min(self.until, season.length_s)))
        self.told.down_s += self.outside(self.rests, at, until)
        self.until = true_again
        self.told.skipped += len(decision.skipped)
        self.told.unknown += len(decision.unknown)
        flaw = self.flaw
        self.go_on(decision, gap, head, policy.rule_for(cause).only_while_closed)
        if is_rest:
            self.flaw = flaw
        self.now = until
        self.look_ahead()
        return True

    def gap(self, cause: Cause, at: float, until: float, chance: float, policy: Policy) -> Gap:
        season, pace = self.season, self.season.pace
        last, burst, origin = pace.end_column, pace.columns_per_burst, season.first_column
        assert last is not None
        behind = self.behind(at)
        begun = min(max(pace.burst_start_from(self.due(at) - behind), origin), last)
        in_hand = chance < (1.0 if behind else season.duty)
        first = max(origin, begun - burst) if in_hand else begun
        end = min(max(pace.burst_start_from(self.due(until)), begun), last)
        to_day = season.times.until_day_s
        known = math.floor((until + season.times.known_ahead_s - to_day) / DAY_S + 1.0) * DAY_S + to_day
        rule = policy.rule_for(cause)
        closed = (
            [(a, min(b, known)) for a, b in self.closed if b > until and a < known] if rule.only_while_closed else []
        )
        return Gap(
            first=first,
            unknown_end=begun,
            end=end,
            cause=cause,
            noticed_at=instant(until),
            missing_since=instant((begun - origin) / self.v + self.shift),
            segment=self.half_printed(begun, first) if rule.half_printed != "as-the-rest" else None,
            closed=tuple(Span(starts_at=instant(a), ends_at=instant(b)) for a, b in closed),
        )

    def half_printed(self, begun: int, first: int) -> Columns | None:
        season, columns = self.season, self.season.pace.columns_per_turn
        assert columns is not None and season.pace.end_column is not None
        ordered = begun - 1
        if ordered < season.first_column:
            return None
        number = slot_of(ordered, columns, season.segments_per_turn)
        begins = max(slot_start(number, columns, season.segments_per_turn), season.first_column)
        ends = min(slot_start(number + 1, columns, season.segments_per_turn), season.pace.end_column)
        return Columns(first=begins, end=ends) if ends > begun or first < begun else None

    def go_on(self, decision: Decision, gap: Gap, head: int, by_doors: bool) -> None:
        blank, skipped, again = len(decision.blank), len(decision.skipped), len(decision.again)
        if skipped or again or decision.unknown:
            self.flaw = head + again + (len(decision.finished) + blank if skipped else 0)
        onward = decision.onward if decision.action == "shift" else gap.end - decision.late
        self.offset = head + blank - onward
        self.head = head + blank
        self.told.blank += blank
        self.backlog = decision.late
        self.by_doors = by_doors
        self.shift += decision.shift_s

    def supplies_until(self, at: float) -> None:
        while self.supply_at < at:
            ends = max(self.supply_at, self.now)
            seen = self.seen(ends)
            self.told.ran_out += 1
            self.told.unattended += self.next_there(ends) > ends
            is_roll = self.is_roll
            self.stop("supplies", ends, seen + self.season.rates.change_minutes * 60.0)
            self.change(roll=is_roll, cartridge=not is_roll, blade=False)

    def change(self, roll: bool, cartridge: bool, blade: bool) -> None:
        paper, told = self.season.paper, self.told
        if roll:
            self.roll_end, told.rolls = self.head + paper.roll, told.rolls + 1
        if cartridge:
            self.ink_left, told.cartridges = self.season.ink.cartridge_ml, told.cartridges + 1
        if blade:
            self.blade_end, told.blades = self.head + paper.blade, told.blades + 1
        self.look_ahead()

    def rest(self, at: float, until: float) -> None:
        late = self.behind(max(at, self.now)) > 0
        policy = Policy(kind="replay", only_while_closed=self.by_doors) if late else self.season.policy
        self.stop("held", at, until, policy=policy, is_rest=True)

    def visit(self, at: float, number: int) -> None:
        season, begins = self.season, at if self.next_out(at) > at else max(at, self.now)
        at = max(at, self.now)
        head = self.head_at(at)
        if self.dead >= season.passes:
            self.streak = head
        self.dead = 0
        windows, more = season.times.windows, 1.0 + season.rates.reserve
        ends = windows[number + 1][1] if number + 1 < len(windows) else season.length_s
        columns = (self.v * self.outside(self.rests, at, ends) + self.behind(at)) * more
        idle_ml = season.ink.idle_ml_per_s * self.outside(self.quiet, at, ends)
        ink = season.ink.ml_per_column * columns + idle_ml * more
        roll, blade = self.roll_end - head < columns, self.blade_end - head < columns
        cartridge = self.ink_left - self.ink_to(at, head) < ink
        parts = roll + cartridge + blade
        if parts:
            self.stop("service", begins, begins + parts * season.rates.change_minutes * 60.0)
            self.change(roll, cartridge, blade)

    def opening(self, at: float) -> tuple[bool, bool, bool, bool, bool]:
        still, then = at < self.now, max(at, self.now)
        late = self.behind(then) > 0 and not still
        head = self.still_head if still else self.head_at(then)
        hangs = self.season.paper.hangs
        whole = (self.still_flaw if still else self.flaw) <= head - hangs
        streaked = self.dead >= self.season.passes or self.streak > head - hangs
        return still, late, whole, streaked, whole and not (still or late or streaked)

    def end(self) -> None:
        length = self.season.length_s
        self.supplies_until(length)
        then = max(length, self.now)
        left = self.behind(then)
        head = self.due(then) + self.offset
        self.told.ink_ml += self.ink_to(then, head - left) + self.season.ink.ml_per_column * left
        self.told.paper = head - self.season.first_column


def play_one(season: Season, drawn: Drawn, row: int) -> Told:
    """One season of those that were drawn."""
    return play_events(
        season, zip(*(part[:, row].tolist() for part in (drawn.at, drawn.kind, drawn.until, drawn.chance)), strict=True)
    )


def play_events(season: Season, events: Iterable[tuple[float, int, float, float]]) -> Told:
    """One season by what happens in it, in order."""
    loop = Loop(season)
    seen = {}
    for at, kind, until, chance in events:
        if at >= season.length_s:
            break
        loop.supplies_until(at)
        if kind in CAUSES:
            loop.stop(CAUSES[kind], at, until, chance)
        elif kind == Kind.NOZZLE:
            loop.dead += 1
        elif kind == Kind.REST:
            loop.rest(at, until)
        elif kind == Kind.VISIT:
            loop.visit(at, int(until))
        else:
            seen[int(until)] = loop.opening(at)
    loop.end()
    loop.told.seen = tuple(seen[number] for number in sorted(seen))
    return loop.told


def draw_one(season: Season, chance: Random) -> list[tuple[float, int, float, float]]:
    """What happens in a season, drawn and in order; by the rules of `scheduling.rehearsal.incidents`."""
    loop, rates, events = Loop(season), season.rates, list[tuple[float, int, float, float]]()
    for kind, name in enumerate(INCIDENTS):
        rate, at = getattr(rates, name), 0.0
        while rate.per_day and (at := at + chance.expovariate(rate.per_day) * DAY_S) < season.length_s:
            lasts = chance.expovariate(1.0 / (rate.mean_hours * 3600.0)) if rate.mean_hours else 0.0
            held_s = rates.work_held_hours * 3600.0
            if name == "network" and lasts > held_s:
                events.append((at + held_s, kind, at + lasts, 1.0))
            elif name in ("jam", "part"):
                if name != "jam" or loop.next_out(at) == at:
                    events.append((at, kind, loop.seen(at) + lasts, chance.random() if name == "jam" else 1.0))
            elif name != "network":
                events.append((at, kind, at + lasts, chance.random()))
    for number, (begins, ends) in enumerate(season.times.windows):
        late_s = chance.expovariate(1.0 / (rates.late_hours * 3600.0)) if chance.random() < rates.late_share else 0.0
        if begins + late_s < ends:
            events.append((begins + late_s, Kind.VISIT, number, 0.0))
    events += [(at, Kind.OPENING, number, 0.0) for number, at in enumerate(season.times.openings.tolist())]
    events += [(begins, Kind.REST, ends, 1.0) for begins, ends in loop.rests]
    return sorted(events)


def ends_after(left: float, used_late: float, late_s: float, per_s: float) -> float:
    left = max(0.0, left)
    if per_s <= 0.0:
        return math.inf
    return left / used_late * late_s if left < used_late else late_s + (left - used_late) / per_s


def instant(seconds: float) -> datetime:
    return BEGAN + timedelta(seconds=seconds)
