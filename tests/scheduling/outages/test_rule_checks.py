"""A rule that cannot be kept is refused when the run is planned, by the name of its field, and nothing is written."""

from __future__ import annotations

from typing import Any

import pytest

from machines.errors import InputError
from machines.recovery import Policy
from machines.serialization import structure
from scheduling.commands import handlers
from scheduling.log.models import Event, Run
from scheduling.planning.opening_hours import Hours, Week
from scheduling.queries.runs import run_policy
from tests.scheduling.house import NOON, PROFILE, by, furnish, order, plan, set_hours

pytestmark = pytest.mark.django_db

PERIOD: dict[str, Any] = {"cycle": "period", "cycle_options": {"seconds": 86400, "epoch": NOON.isoformat()}}
HOURS = {"value": 6, "unit": "hours"}
EVERY_POLICY: dict[str, dict[str, Any]] = {
    "skip": {"kind": "skip"},
    "replay": {"kind": "replay"},
    "replay-within": {"kind": "replay-within", "within": HOURS},
    "in turns": {"kind": "replay-within", "within": {"value": 0.5, "unit": "turns"}},
    "blank": {"kind": "blank"},
    "finish": {"kind": "blank", "half_printed": "finish"},
    "abandon": {"kind": "replay", "half_printed": "abandon"},
    "again": {"kind": "skip", "half_printed": "again"},
    "while closed": {"kind": "replay", "only_while_closed": True},
    "by cause": {
        "kind": "skip",
        "by_cause": [
            {"causes": ["service", "supplies"], "rule": {"kind": "replay-within", "within": HOURS}},
            {"causes": ["jam"], "rule": {"kind": "blank"}},
        ],
    },
}


@pytest.mark.parametrize("policy", EVERY_POLICY.values(), ids=EVERY_POLICY)
def test_every_policy_that_can_be_kept_is_taken_and_kept_whole(policy: dict[str, Any]) -> None:
    furnish()
    set_hours("shed", Hours(week=Week()), by())
    plan(policy=policy)
    assert run_policy(Run.objects.get()) == structure(policy, Policy)


def test_a_plain_period_may_wait() -> None:
    furnish()
    plan(policy={"kind": "shift"}, **PERIOD)
    assert Run.objects.get().policy["kind"] == "shift"


def test_a_plain_period_may_wait_for_some_causes_only() -> None:
    furnish()
    plan(policy={"kind": "replay", "by_cause": [{"causes": ["service"], "rule": {"kind": "shift"}}]}, **PERIOD)
    (exception,) = run_policy(Run.objects.get()).by_cause
    assert exception.rule.kind == "shift"


@pytest.mark.parametrize(
    ("policy", "field", "problem"),
    [
        ({"kind": "shift"}, "policy.kind", "apparent-solar-day is tied to the sky"),
        (
            {"kind": "skip", "by_cause": [{"causes": ["jam"], "rule": {"kind": "shift"}}]},
            "policy.by_cause[0].rule.kind",
            "tied to the sky",
        ),
        ({"kind": "replay-within"}, "policy.within", "no limit"),
        ({"kind": "replay-within", "within": {"value": 0, "unit": "hours"}}, "policy.within.value", "above 0"),
        ({"kind": "replay-within", "within": {"value": 1, "unit": "days"}}, "policy.within.unit", "not one of"),
        ({"kind": "skip", "within": HOURS}, "policy.within", "takes no limit"),
        ({"kind": "skip", "only_while_closed": True}, "policy.only_while_closed", "nothing is printed late"),
        ({"kind": "replay", "only_while_closed": True}, "policy.only_while_closed", "nobody knows when The shed"),
        ({"kind": "skip", "half_printed": "burn"}, "policy.half_printed", "not one of"),
        ({"kind": "skip", "by_cause": [{"causes": [], "rule": {"kind": "skip"}}]}, "policy.by_cause[0].causes", "none"),
        (
            {
                "kind": "skip",
                "by_cause": [
                    {"causes": ["jam"], "rule": {"kind": "skip"}},
                    {"causes": ["jam"], "rule": {"kind": "blank"}},
                ],
            },
            "policy.by_cause",
            "jam is named twice",
        ),
        (
            {"kind": "skip", "by_cause": [{"causes": ["whim"], "rule": {"kind": "skip"}}]},
            "policy.by_cause[0].causes[0]",
            "not one of",
        ),
    ],
)
def test_a_policy_that_cannot_be_kept_names_the_field(policy: dict[str, Any], field: str, problem: str) -> None:
    furnish()
    events = Event.objects.count()
    with pytest.raises(InputError, match=problem) as refused:
        plan(policy=policy)
    assert refused.value.field == field
    assert refused.value.remedy
    assert Event.objects.count() == events


JUST_AS_FAST = PROFILE["mm_per_turn"] / 24.0


@pytest.mark.parametrize(
    ("policy", "field"),
    [
        ({"kind": "replay"}, "policy.kind"),
        ({"kind": "replay-within", "within": HOURS}, "policy.kind"),
        ({"kind": "skip", "half_printed": "again"}, "policy.half_printed"),
        (
            {"kind": "skip", "by_cause": [{"causes": ["jam"], "rule": {"kind": "replay"}}]},
            "policy.by_cause[0].rule.kind",
        ),
    ],
)
def test_a_machine_no_faster_than_the_sky_cannot_promise_to_catch_up(policy: dict[str, Any], field: str) -> None:
    furnish(highest_mm_per_hour=JUST_AS_FAST)
    with pytest.raises(InputError, match="never catch up") as refused:
        plan(policy=policy, **PERIOD)
    assert refused.value.field == field


@pytest.mark.parametrize("policy", [{"kind": "skip"}, {"kind": "blank"}, {"kind": "shift", "half_printed": "again"}])
def test_a_machine_no_faster_than_the_sky_may_leave_out_or_wait(policy: dict[str, Any]) -> None:
    furnish(highest_mm_per_hour=JUST_AS_FAST)
    plan(policy=policy, **PERIOD)
    assert Run.objects.exists()


def test_the_hours_that_count_are_those_of_the_machine_s_own_venue() -> None:
    furnish()
    order(
        handlers.AddVenue,
        id="loft",
        name="Loft",
        latitude_degrees=47.6,
        longitude_degrees=-52.7,
        zone="America/St_Johns",
    )
    set_hours("loft", Hours(week=Week()), by())
    with pytest.raises(InputError, match="set the hours of venue 'shed' first"):
        plan(policy={"kind": "replay", "only_while_closed": True})
