"""What a seed stands for: a machine, its runs, a policy, and what goes wrong when. Nothing here touches a process.

Instants are hours shown by the compressed clock, from the beginning of the first run. The same seed always gives the
same scenario; what the processes are doing at the very instant of a fault is theirs.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, replace

from tests.faults.kinds import (
    ALL,
    DAMAGES,
    DAYS_CHANCE,
    DAYS_H,
    FORGETS,
    KINDS,
    SAID,
    SERVER_STEPS_S,
    TAKEOVERS,
    WORDS,
    last_h,
)
from tests.faults.options import CYCLES, HORIZONS, PERIOD, POLICIES, PROFILES, SHIFTS

MOST_RUNS = 3
# Of all scenarios, how many have their machine stand until a person resumes it; how many hold little work.
ATTENDED_CHANCE, SHORT_HORIZON_CHANCE = 0.2, 0.3
# How many have a board that changes who it is, a server that forgets, a person who decides.
TAKEOVER_CHANCE, FORGET_CHANCE, WORD_CHANCE = 0.2, 0.3, 0.3
WORST_CRYSTAL_PPM = 250.0
# A kernel slews by no more.
WORST_SLEW_PPM = 500.0
# How many have their last run planned when the first is under way, and how long before it begins, hours.
LATE_CHANCE, LEAST_LEAD_H = 0.4, 1.0


@dataclass(frozen=True, kw_only=True)
class Fault:
    """Something that goes wrong.

    Attributes:
        kind: of `tests.faults.kinds.ALL`.
        at_h, lasts_h: when and for how long.
        detail: of a damage, which; of a step of a clock, how many seconds; of a slew, how many parts
            per million; of a word, its rule; empty for the others.
    """

    at_h: float
    kind: str
    lasts_h: float
    detail: str = ""

    def __str__(self) -> str:
        detail = f" ({self.detail})" if self.detail else ""
        return f"{self.at_h:5.2f} h to {self.at_h + self.lasts_h:5.2f} h  {self.kind}{detail}: {ALL[self.kind]}"


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """All that a seed decides.

    Attributes:
        policy: of the runs, a name in `POLICIES`.
        profile: a machine that crawls, or one that prints bursts.
        cycle: that the runs follow.
        spans_h: how long each run is; one begins where the other ends.
        late_h: when the last of several runs is planned; None for at once, with the others.
        skew: of the board's clock, seconds and parts per million.
        attended: after an unplanned stop the machine stands until a person resumes it.
        horizon: how far ahead the board holds work, ISO 8601.
        armed_h: when a person arms the knife; None for never.
        faults: in order, those that are drawn beside the others at the end.
        battery_ppm: how wrong the clock that a battery keeps runs at most; None where the board has none.
        loses: what was not synced is perhaps lost where the power goes.
        quiet: its venues have quiet hours, from before its board is heard.
        neighbours: played beside it on the same server, each with a machine and a network of its own.
        word: what a person says on an outage, a name in `POLICIES`; empty for the rule that their fault names.
    """

    seed: int
    policy: str
    profile: str
    cycle: str
    spans_h: tuple[float, ...]
    late_h: float | None
    skew: str
    attended: bool
    horizon: str
    armed_h: float | None
    faults: tuple[Fault, ...]
    battery_ppm: float | None = None
    loses: bool = False
    quiet: bool = False
    neighbours: tuple[Scenario, ...] = ()
    word: str = ""

    @property
    def hours(self) -> float:
        """That all runs span."""
        return sum(self.spans_h)

    @property
    def kinds(self) -> set[str]:
        """Kinds of its faults."""
        return {fault.kind for fault in self.faults}

    @property
    def has(self) -> set[str]:
        """What it tries: kinds of faults, its machine, its policy, its rhythm, how far ahead it holds work, whether the
        server forgets among several runs, how it is attended, its quiet hours, and what its cards lose."""
        found = {*self.kinds, self.profile, self.policy, self.cycle, self.horizon}
        is_several = len(self.spans_h) > 1
        also = {
            "attended": self.attended,
            "forgets-among-several": is_several and bool(self.kinds & set(FORGETS)),
            "loses": self.loses,
            "planned-late": self.late_h is not None,
            "quiet": self.quiet,
            f"said-{self.word}": bool(self.word),
        }
        return found | {name for name, is_so in also.items() if is_so}

    @property
    def lasts_h(self) -> float:
        """Until its runs are over and the last of its faults has passed, hours."""
        return max([self.hours, *(fault.at_h + fault.lasts_h for fault in self.faults)])

    def __str__(self) -> str:
        spans = "+".join(f"{span:.1f}" for span in self.spans_h)
        attended, word = " attended" if self.attended else "", f" said: {self.word}" if self.word else ""
        return f"{self.policy:13} {self.profile:5} {self.cycle:18} {spans} h {self.horizon}{attended}{word}"

    def story(self) -> list[str]:
        """Its faults, a line each, and its neighbours'."""
        beside = [line for one in self.neighbours for line in (f"beside it: {one}", *one.story())]
        return [*map(str, self.faults), *beside]


def draw(seed: int) -> Scenario:
    """The scenario of a seed."""
    dice = random.Random(seed)
    policy = dice.choice(tuple(POLICIES))
    spans_h = _spans(dice)
    late_h = _late_h(dice, spans_h)
    return Scenario(
        seed=seed,
        policy=policy,
        profile=dice.choice(PROFILES),
        cycle=PERIOD if policy in SHIFTS else dice.choice(CYCLES),
        spans_h=spans_h,
        late_h=late_h,
        skew=f"{dice.uniform(-1e5, 1e5):.0f}:{dice.uniform(-WORST_CRYSTAL_PPM, WORST_CRYSTAL_PPM):.1f}",
        attended=dice.random() < ATTENDED_CHANCE,
        horizon=HORIZONS[dice.random() < SHORT_HORIZON_CHANCE],
        armed_h=round(dice.uniform(0.1, sum(spans_h)), 2) if dice.random() < 0.3 else None,
        faults=tuple(sorted(_faults(dice, sum(spans_h), late_h), key=lambda one: one.at_h)),
    )


def _spans(dice: random.Random) -> tuple[float, ...]:
    """Of one to three runs, back to back; several of them are shorter, so that all take some hours."""
    count = dice.randint(1, MOST_RUNS)
    return tuple(round(dice.uniform(2.5, 4.5) / (1.0 + 0.6 * (count - 1)), 2) for _ in range(count))


def _late_h(dice: random.Random, spans_h: tuple[float, ...]) -> float | None:
    if len(spans_h) == 1 or dice.random() >= LATE_CHANCE:
        return None
    return round(dice.uniform(0.1, sum(spans_h[:-1]) - LEAST_LEAD_H), 2)


def _faults(dice: random.Random, hours: float, late_h: float | None) -> list[Fault]:
    special = {*TAKEOVERS, *FORGETS, *WORDS}
    kinds = [dice.choice([kind for kind in KINDS if kind not in special]) for _ in range(dice.randint(1, 3))]
    if dice.random() < WORD_CHANCE:
        kinds.append(dice.choice(WORDS))
    if dice.random() < FORGET_CHANCE:
        kinds.append(dice.choice(FORGETS))
    elif dice.random() < TAKEOVER_CHANCE:
        kinds.append(dice.choice(TAKEOVERS))
    return [_from_before(dice, _fault(dice, kind, hours), late_h) for kind in kinds]


def _fault(dice: random.Random, kind: str, hours: float) -> Fault:
    lasts_h, detail = dice.uniform(*last_h(kind)), ""
    if kind == "journal-damaged":
        detail = dice.choice(DAMAGES)
    if kind == "clock-step":
        detail = f"{dice.choice((-1, 1)) * dice.choice((1, 3600, 86400, 1e9)):.0f}"
    if kind == "clock-slewed":
        detail = f"{dice.choice((-1, 1)) * dice.uniform(50, WORST_SLEW_PPM):.0f}"
    if kind == "server-moved":
        detail = f"{dice.choice((-1, 1)) * dice.choice(SERVER_STEPS_S):g}"
    if kind in WORDS:
        detail = dice.choice(SAID)
    if kind == "server-gone" and dice.random() < DAYS_CHANCE:
        lasts_h = dice.uniform(*DAYS_H)
    fault = Fault(at_h=round(dice.uniform(-0.2, 0.9 * hours), 3), kind=kind, lasts_h=round(lasts_h, 3), detail=detail)
    return fault if kind not in WORDS else _while_it_matters(dice, fault, hours)


def _from_before(dice: random.Random, fault: Fault, late_h: float | None) -> Fault:
    """What a server is put back from is as often as not older than the run that was planned last."""
    if fault.kind not in FORGETS or late_h is None or dice.random() < 0.5:
        return fault
    return replace(fault, at_h=round(late_h - dice.uniform(0.05, 0.3), 3))


def _while_it_matters(dice: random.Random, fault: Fault, hours: float) -> Fault:
    """A word is about columns that are missing: not before the first is due, and not when the last run is over."""
    return replace(fault, at_h=round(dice.uniform(0.2, max(0.3, hours - fault.lasts_h)), 3))
