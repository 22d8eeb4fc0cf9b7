"""A person's word on an open outage, at the API: taken while it is open, refused with an explanation otherwise."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from typing import Any

import jsonschema
import pytest

from machines.protocol.messages import Work, pace
from machines.recovery import Decision, Gap, Override, Policy, Rule, settle
from machines.serialization import structure, unstructure
from scheduling.log.models import Event, Outage
from server import jobs
from tests.server.api.test_bad_input import problem
from tests.server.api.test_hours import HOURS
from tests.server.api.test_node_calls import work_of
from tests.server.studio import RUN, Caller, HeldClock, printed

SKIP: dict[str, Any] = {"rule": {"kind": "skip"}, "reason": "the opening is tonight"}


def settled(
    work: Work, seq: int, at: datetime, rule: Rule, override: Override | None = None, since: datetime | None = None
) -> dict[str, Any]:
    """What a node says when it settles a gap of 30 columns from the beginning of the run."""
    assert work.run is not None
    first = work.segments[0].first_column
    gap = Gap(
        first=first,
        unknown_end=first,
        end=first + 30,
        cause="power",
        noticed_at=at,
        missing_since=since,
        override=override,
    )
    decision: Decision = settle(Policy(**vars(rule)), gap, pace(work.profile, work.run))
    return {
        "kind": "gap-settled",
        "seq": seq,
        "at": at.isoformat(),
        "run": work.run.id,
        "gap": unstructure(gap),
        "policy": unstructure(Policy(**vars(rule))),
        "decision": unstructure(decision),
        "paper_position": 0,
    }


def report(node: Caller, *entries: dict[str, Any]) -> None:
    response = node.post("node/reports", {"epoch": 1, "entries": list(entries)})
    assert response.status_code == 200, response.content


@pytest.fixture
def silent(node: Caller, furnished: Caller, clock: HeldClock) -> Caller:
    """The node was heard before the run began, and not since; three hours of it have passed."""
    work_of(node)
    clock.at += timedelta(hours=9)
    jobs.watch()
    return furnished


@pytest.fixture
def replaying(node: Caller, furnished: Caller, clock: HeldClock) -> Caller:
    """The node prints late what it missed."""
    furnished.put("venues/quay/hours?accept=true", HOURS)
    work = work_of(node)
    clock.at += timedelta(hours=9)
    report(node, settled(work, 1, clock.at, Rule(kind="replay")))
    return furnished


def test_a_silence_is_decided_and_the_node_hears_it(silent: Caller, node: Caller, clock: HeldClock) -> None:
    word = silent.create("runs/spring/override", SKIP)
    assert (word["machine"], word["run"], word["because"]) == ("wren-1", "spring", "silence")
    assert (word["reason"], word["rule"]["kind"], word["used_by"], word["outage"]) == (
        SKIP["reason"],
        "skip",
        None,
        None,
    )
    assert silent.get(f"overrides/{word['id']}").json() == word
    given = work_of(node).override
    assert given is not None
    assert (given.id, given.rule, given.given_at) == (word["id"], Rule(kind="skip"), clock.at)
    report(node, settled(work_of(node), 1, clock.at, Rule(kind="skip"), given))
    (outage,) = silent.get("outages").json()["results"]
    assert (outage["override"], outage["is_open"], outage["differs"]) == (word["id"], False, None)
    assert silent.get("overrides").json()["results"][0]["used_by"] == outage["id"]
    assert work_of(node).override is None


def test_where_it_is_told(silent: Caller) -> None:
    response = silent.post("runs/spring/override", SKIP)
    assert response.status_code == 201
    assert silent.get(response["Location"].removeprefix("/api/v1/")).json() == response.json()


def test_an_outage_that_is_being_made_good_shows_what_it_costs_and_may_be_decided(replaying: Caller) -> None:
    (outage,) = replaying.get("outages").json()["results"]
    assert (outage["is_open"], outage["action"], outage["override"]) == (True, "replay", None)
    assert outage["paper_mm"] == pytest.approx(10.0)  # 30 columns of a third of a millimetre
    assert outage["hours_until_true"] == pytest.approx(30 / (90 - 15), rel=1e-3)
    assert "print what was missed" in outage["reason"]
    word = replaying.create(f"outages/{outage['id']}/override", {"rule": {"kind": "replay", "only_while_closed": True}})
    assert (word["because"], word["outage"], word["reason"]) == ("replay", outage["id"], None)


def test_nothing_open_is_nothing_to_decide(node: Caller, furnished: Caller, clock: HeldClock) -> None:
    report(node, printed(work_of(node), 1))
    clock.at += timedelta(hours=9)
    body = problem(furnished.post("runs/spring/override", SKIP), 409)
    assert body["type"].endswith("/nothing-open")
    assert "nothing is open on machine 'wren-1'" in body["detail"]
    assert not Event.objects.filter(kind="outage-overridden").exists()


def test_an_outage_that_is_over_is_not_decided_again(node: Caller, furnished: Caller, clock: HeldClock) -> None:
    work = work_of(node)
    clock.at += timedelta(hours=9)
    report(node, settled(work, 1, clock.at, Rule(kind="skip")))
    outage = Outage.objects.get()
    body = problem(furnished.post(f"outages/{outage.id}/override", SKIP), 409)
    assert "is settled, and the machine was true to the sky again at 2026-03-20 15:00 (Europe/Lisbon)" in body["detail"]
    problem_page = Caller().get(body["type"].removeprefix("/api/v1/"))
    assert problem_page.status_code == 200


def test_a_hold_is_decided_until_the_machine_goes_on(node: Caller, furnished: Caller, clock: HeldClock) -> None:
    clock.at += timedelta(hours=9)
    stopped = {"kind": "operator-acted", "seq": 1, "at": clock.at.isoformat(), "action": "stop"}
    report(node, stopped)
    (notice,) = furnished.get("notices").json()["results"]
    assert (notice["kind"], notice["cleared_at"]) == ("operator-acted", None)
    assert furnished.create("runs/spring/override", SKIP)["because"] == "hold"
    released = [stopped | {"seq": 2, "action": "release"}, stopped | {"seq": 3, "action": "resume"}]
    report(node, *released)
    refused = problem(furnished.post("runs/spring/override", SKIP), 409)
    assert refused["type"] == "/api/v1/problems/nothing-open"


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({}, "rule"),
        ({"rule": {"kind": "hope"}}, "rule.kind"),
        ({"rule": {"kind": "replay-within"}}, "rule.within"),
        ({"rule": {"kind": "shift"}}, "rule.kind"),
        ({"rule": {"kind": "replay", "only_while_closed": True}}, "rule.only_while_closed"),
        ({"rule": {"kind": "skip"}, "reason": 7}, "reason"),
        ({"rule": {"kind": "skip"}, "reason": "x" * 501}, "reason"),
        ({"rule": {"kind": "skip"}, "because": "silence"}, "because"),
    ],
)
def test_what_cannot_be_kept_is_refused_by_name(silent: Caller, body: dict[str, Any], field: str) -> None:
    assert problem(silent.post("runs/spring/override", body), 422)["field"] == field
    assert not Event.objects.filter(kind="outage-overridden").exists()


def test_only_the_studio_decides(silent: Caller, node: Caller) -> None:
    assert Caller().post("runs/spring/override", SKIP).status_code == 401
    assert node.post("runs/spring/override", SKIP).status_code == 403
    assert silent.post("runs/nothing/override", SKIP).status_code == 404
    assert silent.post("outages/nothing/override", SKIP).status_code == 404


@pytest.mark.parametrize(
    "policy",
    [
        {"kind": "skip"},
        {"kind": "blank"},
        {"kind": "replay", "half_printed": "again"},
        {"kind": "replay-within", "within": {"value": 0.5, "unit": "turns"}, "half_printed": "abandon"},
        {"kind": "replay", "only_while_closed": True},
        {"kind": "skip", "by_cause": [{"causes": ["service", "jam"], "rule": {"kind": "replay"}}]},
    ],
)
def test_runs_are_planned_with_each_policy_and_show_it(furnished: Caller, node: Caller, policy: dict[str, Any]) -> None:
    furnished.put("venues/quay/hours?accept=true", HOURS)
    spans = {"starts_at": "2026-03-24T12:00:00Z", "ends_at": "2026-03-25T12:00:00Z"}
    run = furnished.create("runs", RUN | spans | {"id": "next", "policy": policy})
    assert structure(run["policy"], Policy) == structure(policy, Policy)
    assert (run["shift_s"], run["again"], run["repeated"]) == (0.0, 0, 0)


def test_a_plain_period_may_wait(furnished: Caller) -> None:
    spans = {"starts_at": "2026-03-24T12:00:00Z", "ends_at": "2026-03-25T12:00:00Z"}
    changes = {"id": "next", "policy": {"kind": "shift"}, "cycle": "period"}
    options = {"cycle_options": {"seconds": 86400, "epoch": "2026-03-24T12:00:00Z"}}
    body = problem(furnished.post("runs", RUN | spans | changes | {"cycle": "mean-solar-day"}), 422)
    assert body["field"] == "policy.kind"
    assert furnished.create("runs", RUN | spans | changes | options)["policy"]["kind"] == "shift"


def test_the_description_tells_of_all_of_it(replaying: Caller) -> None:
    description = json.loads(Caller().get("schema").content)
    components = {"components": description["components"]}

    def schema(path: str, method: str, status: str = "200") -> dict[str, Any]:
        answer: dict[str, Any] = description["paths"][f"/api/v1/{path}"][method]["responses"][status]
        return {**answer["content"]["application/json"]["schema"], **components}

    jsonschema.validate(replaying.get("outages").json(), schema("outages", "get"))
    (outage,) = replaying.get("outages").json()["results"]
    word = replaying.create(f"outages/{outage['id']}/override", SKIP)
    jsonschema.validate(word, schema("outages/{id}/override", "post", "201"))
    jsonschema.validate(word, schema("runs/{id}/override", "post", "201"))
    jsonschema.validate(replaying.get("overrides").json(), schema("overrides", "get"))
    policy = description["components"]["schemas"]["Policy"]["properties"]
    assert set(policy) == {"kind", "within", "half_printed", "only_while_closed", "by_cause"}
    assert set(description["components"]["schemas"]["Policy"]["properties"]["kind"]["enum"]) == {
        "skip",
        "replay",
        "replay-within",
        "shift",
        "blank",
    }
    with pytest.raises(jsonschema.ValidationError):
        bad = {"kind": "skip", "colour": "red"}
        jsonschema.validate(bad, {"$ref": "#/components/schemas/Policy", **components})
