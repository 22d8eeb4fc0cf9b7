"""What each policy would make of an outage, before a run begins or at any time: what is on paper, when it is true to
the sky again, what every opening from then on would show.

It is settled by the same pure function as at the machine; only the facts are imagined (`imagined`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from machines.recovery import Decision, Gap, Rule
from scheduling.log.models import Opening
from scheduling.outages.hanging import Hanging, hanging
from scheduling.outages.imagined import RunThere
from scheduling.outages.options import Choice, RuleOptions, every_choice

# As many openings are told, the first from the outage on.
MOST_OPENINGS = 12
NOT_RECKONED = (
    "everything printed before the outage is taken to be on the paper, and no column to be in doubt",
    "columns that the run leaves out by itself, in a hold or in closed hours, are counted as missed like the others",
    "no second outage comes before the first is made good, and neither roll nor ink ends meanwhile",
    "whether the venue lets a machine print on with nobody there is not asked",
)


@dataclass(frozen=True, kw_only=True)
class SettledBy:
    """What one policy would make of it.

    Attributes:
        rule: by which it would be settled; None where the run's own policy says, see ``by_policy``.
        by_policy: the rule that the run's policy has for the cause.
        problem: why the rule cannot be kept on this run, and ``decision`` is null; empty where it can.
        decision: what would become of the missing columns.
        true_again_at: when what is laid is laid at its instant again, UTC; null where it never is within the run.
        is_within_run: whether it is.
        at_openings: what hangs at each opening, in the order of ``openings``.
    """

    rule: Rule | None
    by_policy: Rule
    problem: str
    decision: Decision | None
    true_again_at: datetime | None
    is_within_run: bool
    at_openings: tuple[Hanging, ...]


@dataclass(frozen=True, kw_only=True)
class OpeningThen:
    """An opening from the outage on.

    Attributes:
        id, name: of it.
        opens_at: when, UTC.
    """

    id: str
    name: str
    opens_at: datetime


@dataclass(frozen=True, kw_only=True)
class PoliciesCompared:
    """An outage under every policy.

    Attributes:
        run: id.
        starts_at, ends_at: when the first missing column is due, and when the gap would be found, UTC.
        gap: what would be missing, with its cause, as it is settled, but for the venue's closed hours.
        times_as_fast: how many times as fast as the sky the machine can print.
        openings: those of the venue from the outage to the end of the run, the first 12.
        policies: the run's own first.
        not_reckoned: what this leaves out of account, in words.
    """

    run: str
    starts_at: datetime
    ends_at: datetime
    gap: Gap
    times_as_fast: float
    openings: tuple[OpeningThen, ...]
    policies: tuple[SettledBy, ...]
    not_reckoned: tuple[str, ...] = NOT_RECKONED


def compare_policies(there: RunThere, gap: Gap, wishes: RuleOptions) -> PoliciesCompared:
    """Settle a gap by the run's own policy and by every kind of rule that its cycle allows.

    Args:
        there: the run.
        gap: what is missing of it.
        wishes: what goes with the kinds of rules.
    """
    missed = there.missed(gap)
    by_policy = gap.rule(missed.policy)
    begins = gap.missing_since or there.instant(gap.first)
    openings = tuple(_openings(there, begins))
    return PoliciesCompared(
        run=there.run.id,
        starts_at=begins,
        ends_at=gap.noticed_at,
        gap=replace(gap, closed=()),
        times_as_fast=there.pace.ratio,
        openings=tuple(OpeningThen(id=one.id, name=one.name, opens_at=one.opens_at) for one in openings),
        policies=tuple(_settled(there, gap, by_policy, one, openings) for one in every_choice(missed, wishes).choices),
    )


def _openings(there: RunThere, begins: datetime) -> Iterator[Opening]:
    found = (one for one in there.context.at_venue.openings if begins <= one.opens_at < there.run.ends_at)
    return (one for _, one in zip(range(MOST_OPENINGS), found, strict=False))


def _settled(there: RunThere, gap: Gap, by_policy: Rule, choice: Choice, openings: tuple[Opening, ...]) -> SettledBy:
    decision = choice.decision
    if decision is None:
        return SettledBy(
            rule=choice.rule,
            by_policy=by_policy,
            problem=choice.problem,
            decision=None,
            true_again_at=None,
            is_within_run=False,
            at_openings=(),
        )
    rule = choice.rule or by_policy
    is_within = not decision.late or decision.true_again < there.run.end_column
    at = gap.noticed_at + timedelta(hours=decision.hours_until_true)
    return SettledBy(
        rule=choice.rule,
        by_policy=by_policy,
        problem="",
        decision=decision,
        true_again_at=at if is_within else None,
        is_within_run=is_within,
        at_openings=tuple(hanging(there, gap, rule, decision, one.opens_at) for one in openings),
    )
