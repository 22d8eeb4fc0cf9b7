"""What is to happen to columns whose instant has passed unprinted: chosen before the run, by run and by cause."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from machines.errors import InputError

Cause = Literal["power", "clock", "no-work", "late-start", "board", "machine", "service", "jam", "supplies", "held"]
RuleKind = Literal["skip", "replay", "replay-within", "shift", "blank"]
HalfPrinted = Literal["as-the-rest", "finish", "abandon", "again"]


@dataclass(frozen=True, kw_only=True)
class Limit:
    """How much of what was missed is printed at most: so many hours or turns of the sky."""

    value: float
    unit: Literal["hours", "turns"]

    def __post_init__(self) -> None:
        if not 0.0 < self.value < math.inf:
            raise InputError("value", f"{self.value} {self.unit}", "give a number above 0")

    def in_words(self) -> str:
        """Such as ``6 hours`` or ``1 turn``."""
        return f"{self.value:g} {self.unit[:-1] if self.value == 1 else self.unit}"


@dataclass(frozen=True, kw_only=True)
class Rule:
    """What happens to missed columns.

    Attributes:
        kind: ``skip`` stays true to the sky and leaves them out: no paper is fed for them. ``blank`` leaves them out,
            too, and feeds blank paper in their places, so that length on the paper stays true to time. ``replay``
            prints them, until the machine is true to the sky again. ``replay-within`` prints the newest of them, up to
            a limit, and leaves out what is older. ``shift`` leaves nothing out: the whole timeline waits, and all that
            follows is later by the outage; only for a cycle that the sky does not tie down, the plain period.
        within: the limit of ``replay-within``; None for every other kind.
        half_printed: what becomes of the rest of the segment that was being printed, as far as the outage reaches:
            ``as-the-rest`` is treated like what follows it; ``finish`` prints it late whatever the kind; ``abandon``
            leaves it out whatever the kind; ``again`` prints the segment late from its beginning, once more.
        only_while_closed: catch up only in the venue's closed hours. While it is open the machine goes on at the sky's
            pace, behind by what it has not caught up; newer columns cannot come first, as the paper is one line.
    """

    kind: RuleKind
    within: Limit | None = None
    half_printed: HalfPrinted = "as-the-rest"
    only_while_closed: bool = False

    def __post_init__(self) -> None:
        if self.kind == "replay-within" and self.within is None:
            raise InputError("within", "replay-within has no limit", "give a value in hours or turns")
        if self.kind != "replay-within" and self.within is not None:
            raise InputError("within", f"{self.kind} takes no limit", "leave it out, or choose replay-within")
        if self.only_while_closed and not self.prints_late:
            raise InputError(
                "only_while_closed", f"with {self.kind} nothing is printed late", "leave it out, or choose a replay"
            )

    @property
    def prints_late(self) -> bool:
        """Whether anything may be printed after its instant."""
        if self.kind == "shift":
            return False
        return self.kind in ("replay", "replay-within") or self.half_printed in ("finish", "again")


@dataclass(frozen=True, kw_only=True)
class CauseRule:
    """Another rule for some causes."""

    causes: tuple[Cause, ...]
    rule: Rule

    def __post_init__(self) -> None:
        if not self.causes:
            raise InputError("causes", "none", "name at least one cause, or leave the rule out")


@dataclass(frozen=True, kw_only=True)
class Policy(Rule):
    """The rule of a run, and those for causes that are treated otherwise. Each stands for itself: a rule by cause
    takes over nothing from the run's own.

    Attributes:
        by_cause: exceptions; a cause is named once.
    """

    by_cause: tuple[CauseRule, ...] = ()

    def __post_init__(self) -> None:
        super().__post_init__()
        named = Counter(cause for exception in self.by_cause for cause in exception.causes)
        if twice := [cause for cause, times in named.items() if times > 1]:
            raise InputError("by_cause", f"{twice[0]} is named twice", "name each cause once")

    def rule_for(self, cause: Cause) -> Rule:
        """The rule that holds after an outage of some cause."""
        return next((one.rule for one in self.by_cause if cause in one.causes), self)

    def rules(self) -> Iterator[tuple[str, Rule]]:
        """Every rule in it, each with the path of its fields, for errors at the door."""
        yield "", self
        for index, exception in enumerate(self.by_cause):
            yield f"by_cause[{index}].rule", exception.rule


# By which columns are settled that lie on the paper as those of the run that theirs succeeds.
LAID_BEFORE = Policy(kind="skip")


@dataclass(frozen=True, kw_only=True)
class Override:
    """A person's word on the outage that was open when it was given; it holds for that one only.

    Attributes:
        id: of the word, so that it is taken once.
        rule: what is to happen, in place of the policy.
        given_at: when.
    """

    id: str
    rule: Rule
    given_at: datetime
