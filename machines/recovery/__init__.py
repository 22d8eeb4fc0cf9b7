"""What becomes of missed columns: the policy, the facts, and the pure function that makes a decision of them."""

from machines.recovery.decision import Decision, RecoveryAction
from machines.recovery.inputs import NO_COLUMNS, Columns, Gap, Pace, Span
from machines.recovery.policy import LAID_BEFORE, Cause, CauseRule, HalfPrinted, Limit, Override, Policy, Rule, RuleKind
from machines.recovery.settlement import settle

__all__ = [
    "LAID_BEFORE",
    "NO_COLUMNS",
    "Cause",
    "CauseRule",
    "Columns",
    "Decision",
    "Gap",
    "HalfPrinted",
    "Limit",
    "Override",
    "Pace",
    "Policy",
    "RecoveryAction",
    "Rule",
    "RuleKind",
    "Span",
    "settle",
]
