"""The reference's examples are taken as they stand: together, and in their order, they make a studio and change it."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.contrib.auth.models import User

from scheduling.log.models import Run
from server import jobs
from server.accounts.people import make_person
from server.accounts.principals import Grant
from server.api.examples import EXAMPLES, example_of
from tests.server.api.test_node_calls import work_of
from tests.server.studio import Caller, HeldClock

ID = {
    "venues": "old-mill", "profiles": "plover", "machines": "plover-1", "sources": "coasts", "runs": "spring-coasts",
    "openings": "first-evening", "opening-series": "sundays", "service-windows": "tuesdays",
    "people": "1",
}  # fmt: skip
# What they need that is not there by itself: see the tests below.
NODES = ("POST node/enrol", "POST node/reports", "POST runs/{id}/override", "POST outages/{id}/override")
CLASHES = ("POST runs/{id}/withdraw",)  # nothing of it may lie on paper, and nothing follow it


def described() -> dict[str, Any]:
    paths: dict[str, Any] = json.loads(Caller().get("schema").content)["paths"]
    return {f"{method.upper()} {path}": call for path, calls in paths.items() for method, call in calls.items()}


def send(studio: Caller, call: str, body: Any) -> Any:
    method, _, path = call.partition(" ")
    address = path.replace("{id}", ID.get(path.partition("/")[0], ""))
    is_changed = "{id}" in path or method == "PUT"
    tag = studio.get(address.rpartition("/")[0] if method == "POST" else address).headers.get("ETag")
    match = {"HTTP_IF_MATCH": tag} if tag and is_changed else {}
    accept = "?accept=true" if is_changed and not path.endswith("/calibration") else ""
    kind = "application/merge-patch+json" if method == "PATCH" else "application/json"
    return studio.other(method, f"{address}{accept}", data=json.dumps(body), content_type=kind, **match)


def test_each_call_says_what_it_does_and_each_body_has_an_example() -> None:
    calls = described()
    assert len(calls) > 100
    assert [call for call, said in calls.items() if not said.get("summary") or not said.get("description")] == []
    bodies = {call: said["requestBody"]["content"] for call, said in calls.items() if "requestBody" in said}
    without = [call for call, kinds in bodies.items() if not all("example" in one for one in kinds.values())]
    assert without == ["POST /api/v1/uploads"], "a file"
    named = {call.replace(" /api/v1/", " ") for call in bodies}
    assert set(EXAMPLES) <= named, "an example of a call that there is not"
    assert example_of("get", "/api/v1/venues") is None


def test_they_make_a_studio_and_change_it(studio: Caller, clock: HeldClock) -> None:
    clock.at = datetime(2027, 3, 1, tzinfo=UTC)
    make_person("robin", "lanterns over the weir", Grant("reader"))
    ID["people"] = str(User.objects.get().pk)
    refused = {}
    for call, body in EXAMPLES.items():
        if call in NODES or call in CLASHES or call.endswith(("/retire", "/take-back")):
            continue
        answer = send(studio, call, body)
        if answer.status_code not in (200, 201):
            refused[call] = answer.content
    assert refused == {}
    assert Run.objects.get(id="spring-coasts").segments_per_turn == 24
    first, second = Run.objects.order_by("starts_at")
    assert (first.id, second.id) == ("spring-coasts", "april-coasts")


@pytest.fixture
def planned(studio: Caller, clock: HeldClock) -> Caller:
    clock.at = datetime(2027, 3, 1, tzinfo=UTC)
    for call in ("venues", "profiles", "machines", "sources", "runs", "openings", "opening-series", "service-windows"):
        answer = send(studio, f"POST {call}", EXAMPLES[f"POST {call}"])
        assert answer.status_code == 201, answer.content
    return studio


def test_what_is_put_away_is_taken_back(planned: Caller) -> None:
    assert send(planned, "POST runs/{id}/withdraw", EXAMPLES["POST runs/{id}/withdraw"]).status_code == 200
    for plural in ("openings", "opening-series", "service-windows"):
        for act in ("call-off", "take-back"):
            call = f"POST {plural}/{{id}}/{act}"
            answer = send(planned, call, EXAMPLES[call])
            assert answer.status_code == 200, (call, answer.content)
    for act, order in (("retire", 1), ("take-back", -1)):
        for plural in ("sources", "machines", "profiles", "venues")[::order]:
            call = f"POST {plural}/{{id}}/{act}"
            answer = send(planned, call, EXAMPLES[call])
            assert answer.status_code == 200, (call, answer.content)


def test_a_board_enrols_and_tells(planned: Caller, clock: HeldClock) -> None:
    code = planned.post("machines/plover-1/enrolment").json()["code"]
    example = EXAMPLES["POST node/enrol"]
    assert [len(part) for part in example["code"].split("-")] == [len(part) for part in code.split("-")]
    token = Caller().post("node/enrol", example | {"code": code}).json()["token"]
    clock.at = datetime(2027, 3, 20, 11, 3, tzinfo=UTC)
    node = Caller(token)
    assert node.post("node/reports", EXAMPLES["POST node/reports"]).json() == {"accepted_through": 1}


def test_a_word_on_an_outage_is_one(node: Caller, furnished: Caller, clock: HeldClock) -> None:
    work_of(node)
    clock.at += timedelta(hours=9)
    jobs.watch()  # its run has begun, and nobody hears of it
    word = furnished.create("runs/spring/override", EXAMPLES["POST runs/{id}/override"])
    assert (word["rule"]["kind"], word["reason"]) == ("replay", "the opening is tomorrow")
    assert EXAMPLES["POST outages/{id}/override"] == EXAMPLES["POST runs/{id}/override"], "they are of one form"
