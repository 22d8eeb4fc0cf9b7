"""What each way to settle an open outage would mean: paper, ink, hours, and how the columns lie on the paper.

The same pure function decides that a node settles with; only the facts are the server's guess (`open_outage`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Literal

from machines.errors import InputError
from machines.recovery import Columns, Decision, Gap, HalfPrinted, Limit, Pace, Policy, Rule, RuleKind, settle
from scheduling.log.models import Run
from scheduling.outages.open_outage import OpenOutage, gap_now
from scheduling.outages.rule_checks import PLAIN_CYCLE, RuleContext, require_rule_fits
from scheduling.queries.runs import runs_standing
from scheduling.rendering.plate_store import PlateStore

PartKind = Literal["unknown", "again", "finished", "blank", "late", "shifted"]
RULE_KINDS: tuple[RuleKind, ...] = ("skip", "blank", "replay", "replay-within", "shift")


@dataclass(frozen=True)
class Part:
    """Columns that will lie on the paper side by side, in the order of the paper."""

    kind: PartKind
    columns: Columns


@dataclass(frozen=True)
class Seam:
    """Where columns meet on the paper that are no neighbours in the picture.

    Attributes:
        before, after: running columns on either side.
        place: how many columns of paper lie between where printing stopped and the seam.
    """

    before: int
    after: int
    place: int


@dataclass(frozen=True)
class RunsInto:
    """A timeline that has waited ends after the machine's next run was to begin, which then begins late.

    Attributes:
        run: the next one, its id.
        starts_at: when that was to begin, UTC.
        by: how much later this one ends.
    """

    run: str
    starts_at: datetime
    by: timedelta


@dataclass(frozen=True)
class Choice:
    """A rule, and what it would mean now.

    Attributes:
        rule: as it would be given; None for the run's own policy, with nobody saying anything.
        decision: what would become of the missing columns; None where the rule cannot be kept.
        problem: why not, in words.
        parts, seams: how the paper would look.
        runs_into: the machine's next run, if this one would not be over by then.
    """

    rule: Rule | None
    decision: Decision | None
    problem: str = ""
    parts: tuple[Part, ...] = ()
    seams: tuple[Seam, ...] = ()
    runs_into: RunsInto | None = None


@dataclass(frozen=True)
class Choices:
    """What is missing as far as is known, and every choice."""

    gap: Gap
    pace: Pace
    choices: tuple[Choice, ...]


@dataclass(frozen=True)
class Missed:
    """A gap of a run, and all that it is settled by.

    Attributes:
        run: of which columns are missing.
        policy: what it does where nobody says otherwise.
        context: what a rule has to fit.
        pace: that it is settled with.
        gap: what is missing.
    """

    run: Run
    policy: Policy
    context: RuleContext
    pace: Pace
    gap: Gap


@dataclass(frozen=True)
class RuleOptions:
    """What goes with the kinds of rules that can be compared: see `machines.recovery.Rule`."""

    within: Limit
    half_printed: HalfPrinted = "as-the-rest"
    only_while_closed: bool = False

    def rule(self, kind: RuleKind) -> Rule:
        """A rule of a kind, with what goes with it."""
        within = self.within if kind == "replay-within" else None
        plain = Rule(kind=kind, within=within, half_printed=self.half_printed)
        only_while_closed = self.only_while_closed and plain.prints_late
        return Rule(kind=kind, within=within, half_printed=self.half_printed, only_while_closed=only_while_closed)


def choices(outage: OpenOutage, now: datetime, plates: PlateStore, wishes: RuleOptions) -> Choices:
    """Every way to settle what is open, as it would turn out if it were settled at this instant."""
    found = Missed(outage.run, outage.policy, outage.rule_context, outage.pace, gap_now(outage, now, plates))
    return every_choice(found, wishes)


def every_choice(missed: Missed, wishes: RuleOptions) -> Choices:
    """Every way to settle a gap: first the run's own policy, then each kind of rule that its cycle allows."""
    kinds = [kind for kind in RULE_KINDS if kind != "shift" or missed.run.cycle == PLAIN_CYCLE]
    by_policy = _choice(None, settle(missed.policy, missed.gap, missed.pace), missed)
    return Choices(missed.gap, missed.pace, (by_policy, *(_of_rule(wishes.rule(kind), missed) for kind in kinds)))


def parts_of(decision: Decision) -> tuple[Part, ...]:
    """What will lie on the paper, in its order; what is left out has no place there, unless it is fed blank."""
    every: tuple[tuple[PartKind, Columns], ...] = (
        ("unknown", decision.unknown),
        ("again", decision.again),
        ("finished", decision.finished),
        ("blank", decision.blank),
        ("late", decision.replayed),
        ("shifted", decision.shifted),
    )
    return tuple(Part(kind, columns) for kind, columns in every if columns)


def seams(parts: Sequence[Part], gap: Gap) -> tuple[Seam, ...]:
    """Where columns meet that are no neighbours, from before the gap to after it."""
    spans = [
        Columns(first=gap.first, end=gap.first),
        *(part.columns for part in parts),
        Columns(first=gap.end, end=gap.end),
    ]
    found, place = [], 0
    for one, following in pairwise(spans):
        place += len(one)
        if one.end != following.first:
            found.append(Seam(one.end - 1, following.first, place))
    return tuple(found)


def _of_rule(rule: Rule, missed: Missed) -> Choice:
    try:
        require_rule_fits(rule, missed.context)
    except InputError as error:
        return Choice(rule, None, problem=error.said)
    return _choice(rule, settle(Policy(**vars(rule)), missed.gap, missed.pace), missed)


def _choice(rule: Rule | None, decision: Decision, missed: Missed) -> Choice:
    parts, into = parts_of(decision), _runs_into(missed.run, decision.shift_s)
    return Choice(rule, decision, parts=parts, seams=seams(parts, missed.gap), runs_into=into)


def _runs_into(run: Run, shift_s: float) -> RunsInto | None:
    """The next run of the machine, if this one ends after its beginning when its timeline waits so much longer; it ends
    later already by what it has waited before."""
    if not shift_s:
        return None
    following = runs_standing(run.machine_id).filter(starts_at__gt=run.starts_at).order_by("starts_at").first()
    ends_at = run.ends_at + timedelta(seconds=shift_s)
    if following is None or ends_at <= following.starts_at:
        return None
    return RunsInto(following.id, following.starts_at, ends_at - following.starts_at)
