"""What a policy may say, and that what runs said of old still reads."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given

from machines.errors import InputError
from machines.recovery import Override, Policy, Rule, Span
from machines.serialization import structure, unstructure
from tests.machines.recovery.worlds import CAUSES, NOON, policies


def test_a_policy_of_old_reads_and_means_what_it_did() -> None:
    for kind in ("skip", "replay"):
        policy = structure({"kind": kind}, Policy)
        assert policy == Policy(kind=kind)
        assert (policy.half_printed, policy.only_while_closed, policy.by_cause) == ("as-the-rest", False, ())


@given(policies())
def test_a_policy_survives_the_wire(policy: Policy) -> None:
    assert structure(unstructure(policy), Policy) == policy


@pytest.mark.parametrize(
    ("data", "field", "problem"),
    [
        ({"kind": "replay-within"}, "within", "no limit"),
        ({"kind": "replay", "within": {"value": 2.0, "unit": "hours"}}, "within", "takes no limit"),
        ({"kind": "replay-within", "within": {"value": 0.0, "unit": "hours"}}, "within.value", "0.0 hours"),
        ({"kind": "replay-within", "within": {"value": 1.0, "unit": "days"}}, "within.unit", "not one of the choices"),
        ({"kind": "skip", "only_while_closed": True}, "only_while_closed", "nothing is printed late"),
        ({"kind": "shift", "half_printed": "again", "only_while_closed": True}, "only_while_closed", "printed late"),
        ({"kind": "late"}, "kind", "not one of the choices"),
        ({"kind": "skip", "half_printed": "twice"}, "half_printed", "not one of the choices"),
        ({"kind": "skip", "by_cause": [{"causes": [], "rule": {"kind": "skip"}}]}, "by_cause[0].causes", "none"),
        (
            {"kind": "skip", "by_cause": [{"causes": ["flood"], "rule": {"kind": "skip"}}]},
            "by_cause[0].causes[0]",
            "choices",
        ),
        (
            {"kind": "skip", "by_cause": [{"causes": ["jam"], "rule": {"kind": "replay-within"}}]},
            "by_cause[0].rule.within",
            "no limit",
        ),
        (
            {
                "kind": "skip",
                "by_cause": [
                    {"causes": ["jam", "power"], "rule": {"kind": "replay"}},
                    {"causes": ["power"], "rule": {"kind": "blank"}},
                ],
            },
            "by_cause",
            "power is named twice",
        ),
    ],
)
def test_what_makes_no_sense_is_refused_with_its_place(data: dict[str, Any], field: str, problem: str) -> None:
    with pytest.raises(InputError, match=problem) as refused:
        structure(data, Policy)
    assert refused.value.field == field
    assert refused.value.remedy


@given(policies())
def test_each_cause_has_its_rule_and_the_others_have_the_runs(policy: Policy) -> None:
    named = {cause: one.rule for one in policy.by_cause for cause in one.causes}
    for cause in CAUSES:
        assert policy.rule_for(cause) == named.get(cause, policy)


def test_a_rule_by_cause_takes_over_nothing_from_the_runs_own() -> None:
    policy = structure(
        {
            "kind": "replay",
            "half_printed": "again",
            "only_while_closed": True,
            "by_cause": [{"causes": ["jam"], "rule": {"kind": "replay"}}],
        },
        Policy,
    )
    assert policy.rule_for("jam") == Rule(kind="replay")


@given(policies())
def test_its_rules_are_itself_and_its_exceptions_each_with_its_path(policy: Policy) -> None:
    assert [path for path, _ in policy.rules()] == ["", *(f"by_cause[{i}].rule" for i in range(len(policy.by_cause)))]


@pytest.mark.parametrize(
    ("value", "unit", "said"),
    [(1.0, "hours", "1 hour"), (1.5, "turns", "1.5 turns"), (6.0, "hours", "6 hours"), (1.0, "turns", "1 turn")],
)
def test_a_limit_in_words(value: float, unit: str, said: str) -> None:
    rule = structure({"kind": "replay-within", "within": {"value": value, "unit": unit}}, Rule)
    assert rule.within is not None
    assert rule.within.in_words() == said


def test_a_word_of_a_person_survives_the_wire() -> None:
    word = Override(
        id="w1", rule=Rule(kind="skip", half_printed="finish"), given_at=datetime(2026, 1, 2, 3, tzinfo=UTC)
    )
    assert structure(unstructure(word), Override) == word


def test_a_span_ends_after_it_begins() -> None:
    with pytest.raises(InputError, match="not after starts_at"):
        Span(starts_at=NOON, ends_at=NOON)
    assert Span(starts_at=NOON, ends_at=NOON + timedelta(microseconds=1)).ends_at > NOON
