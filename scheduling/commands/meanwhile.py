"""What becomes of what is due while nothing of a run is laid, in words."""

from __future__ import annotations

from machines.recovery import Rule

MEANWHILE = {
    "skip": "What the sky passes meanwhile is left out.",
    "blank": "What the sky passes meanwhile stays blank on the paper.",
    "replay": "What the sky passes meanwhile is printed late, afterwards.",
    "replay-within": "Of what the sky passes meanwhile the newest {within} are printed late, and the rest is left out.",
    "shift": "The timeline waits, and all that follows is later by as long.",
}


def meanwhile(rule: Rule) -> str:
    """What becomes of what is due while a run is held, in a sentence."""
    said = MEANWHILE[rule.kind].format(within="" if rule.within is None else rule.within.in_words())
    return said.removesuffix(".") + ", while the venue is closed." if rule.only_while_closed else said
