"""Exceptions of a policy in the form of a run: after each cause another rule, where one is chosen."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from django import forms

from machines.operator.stop_causes import CAUSE_WORDS
from machines.recovery import Policy, Rule
from server.console.formatting import RULE_WORDS
from server.desk.order_form import without_zeros

WITHIN = "replay-within"
LIMITS = (("hours", "hours"), ("turns", "turns"))
CHOSEN = RULE_WORDS | {WITHIN: "print it late, up to a limit"}
RULES = tuple((kind, f"{said[0].upper()}{said[1:]}") for kind, said in CHOSEN.items())
# Rules that need no limit.
PLAIN_RULES = tuple(one for one in RULES if one[0] != WITHIN)
AFTER = {cause: f"after_{cause.replace('-', '_')}" for cause in CAUSE_WORDS}
LIMIT = ("other_within", "other_unit")
NAMES = (*AFTER.values(), *LIMIT)
NAMED = re.compile(r"policy\.by_cause\[([0-9]+)\](.*)")


def fields() -> dict[str, forms.Field]:
    """A choice for each cause, and the limit of those that print late up to one."""
    chosen: dict[str, forms.Field] = {
        AFTER[cause]: forms.ChoiceField(required=False, choices=(("", "as said above"), *RULES), label=f"After {words}")
        for cause, words in CAUSE_WORDS.items()
    }
    within = forms.FloatField(required=False, label="Print late at most the newest, where that is chosen here")
    unit = forms.ChoiceField(choices=LIMITS, required=False, label="Hours, or turns of the sky", initial="hours")
    return chosen | dict(zip(LIMIT, (within, unit), strict=True))


def by_cause(said: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The exceptions that a form says, a rule each with all of its causes."""
    causes: dict[str, list[str]] = {}
    for cause, name in AFTER.items():
        if said.get(name):
            causes.setdefault(said[name], []).append(cause)
    limit = {"value": said.get("other_within"), "unit": said.get("other_unit") or "hours"}
    return [
        {"causes": of, "rule": {"kind": kind} | ({"within": limit} if kind == WITHIN else {})}
        for kind, of in causes.items()
    ]


def needs_limit(said: Mapping[str, Any]) -> bool:
    """Whether one of them prints late up to a limit."""
    return any(said.get(name) == WITHIN for name in AFTER.values())


def initial_of(policy: Policy) -> dict[str, Any]:
    """What the fields say of a policy."""
    chosen = {AFTER[cause]: one.rule.kind for one in policy.by_cause for cause in one.causes if cause in AFTER}
    limit = next((one.rule.within for one in policy.by_cause if one.rule.within is not None), None)
    if limit is None:
        return chosen
    return chosen | dict(zip(LIMIT, (without_zeros(limit.value), limit.unit), strict=True))


def can_say(policy: Policy) -> bool:
    """Whether the fields say all of its exceptions: each a kind and nothing else, with one limit for all."""
    kinds = [one.rule.kind for one in policy.by_cause]
    limits = {one.rule.within for one in policy.by_cause if one.rule.within is not None}
    are_plain = all(one.rule == Rule(kind=one.rule.kind, within=one.rule.within) for one in policy.by_cause)
    are_known = all(cause in AFTER for one in policy.by_cause for cause in one.causes)
    return are_plain and are_known and len(limits) <= 1 and len(set(kinds)) == len(kinds)


def place_of(path: str, said: Mapping[str, Any]) -> str | None:
    """The field that an exception stands for, by its path in the body; None for another path."""
    if (found := NAMED.fullmatch(path)) is None:
        return None
    exceptions, number = by_cause(said), int(found[1])
    if ".within" in found[2]:
        return LIMIT[0]
    return AFTER[exceptions[number]["causes"][0]] if number < len(exceptions) else None
