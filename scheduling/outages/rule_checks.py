"""Whether a rule for missed columns can be kept on a machine, at a venue, against a cycle: known before an outage."""

from __future__ import annotations

from dataclasses import dataclass

from machines.errors import InputError
from machines.model.profile import Profile
from machines.recovery import Pace, Policy, Rule
from scheduling.log.models import Venue

PLAIN_CYCLE = "period"


@dataclass(frozen=True)
class RuleContext:
    """What a rule has to fit.

    Attributes:
        cycle: name of the run's.
        profile: of the machine.
        mean_turn_s: of the cycle, seconds.
        venue: where the machine stands.
    """

    cycle: str
    profile: Profile
    mean_turn_s: float
    venue: Venue

    @property
    def is_faster_than_the_sky(self) -> bool:
        """Whether the machine can make good what it is behind."""
        return Pace(
            nominal_columns_per_s=self.profile.columns_per_turn / self.mean_turn_s,
            highest_columns_per_s=self.profile.highest_columns_per_s(),
            columns_per_burst=self.profile.columns_per_burst,
        ).catches_up


def require_policy_fits(policy: Policy, context: RuleContext) -> None:
    """Raise an InputError for the first rule of a policy that cannot be kept; ``policy`` begins its field."""
    for path, rule in policy.rules():
        try:
            require_rule_fits(rule, context)
        except InputError as error:
            raise error.within(f"policy.{path}" if path else "policy") from None


def require_rule_fits(rule: Rule, context: RuleContext) -> None:
    """Raise an InputError where a rule cannot be kept."""
    if rule.kind == "shift" and context.cycle != PLAIN_CYCLE:
        raise InputError(
            "kind",
            f"{context.cycle} is tied to the sky, which waits for nobody",
            f"choose another kind, or the cycle {PLAIN_CYCLE}",
        )
    if rule.prints_late and not context.is_faster_than_the_sky:
        raise InputError(
            "kind" if rule.kind.startswith("replay") else "half_printed",
            "the machine is no faster than the sky turns, so it can never catch up",
            "choose skip, blank or shift, or a machine that is faster",
        )
    if rule.only_while_closed and context.venue.hours is None:
        raise InputError(
            "only_while_closed",
            f"nobody knows when {context.venue.name} is closed",
            f"set the hours of venue {context.venue.id!r} first, or leave it out",
        )
