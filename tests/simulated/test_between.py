"""What stands between node and server makes of messages what is none of ours; and a newer server says more."""

from __future__ import annotations

import json
from random import Random
from typing import Any

import pytest
import urllib3

from tests.faults.relay import Answer, Call
from tests.simulated.falsified import changed, changed_answer, changed_call
from tests.simulated.network import ANSWER_LIMIT_S, LOOK_S, Network
from tests.simulated.newer_server import NewerServer
from tests.simulated.world import World

BODY = json.dumps({"epoch": 1, "entries": [], "status": None}).encode()
DICE = [Random(seed) for seed in range(300)]


def test_what_is_changed_is_never_what_it_was_nor_one_of_ours_in_another_sense() -> None:
    found = {changed(BODY, dice) for dice in DICE}
    assert BODY not in found
    assert len(found) > 30
    for body in found:
        try:
            said = json.loads(body)
        except ValueError:
            continue
        assert not isinstance(said, dict) or not {"entries", "status"} & said.keys()


@pytest.mark.parametrize("body", [b"", b"x"])
def test_little_can_be_changed_too(body: bytes) -> None:
    assert all(isinstance(changed(body, dice), bytes) for dice in DICE)


def test_an_answer_is_changed_in_its_body_its_status_or_both_of_body_and_headers() -> None:
    answer = Answer(200, [("Content-Type", "application/json"), ("ETag", '"a"')], BODY)
    found = [changed_answer(answer, dice) for dice in DICE]
    assert all(one.status != 200 or one.body != BODY for one in found)
    assert {204, 304, 401, 500} <= {one.status for one in found}
    assert {("Content-Type", "text/html"), ("Content-Type", "application/json"), None} <= {
        next((header for header in one.headers if header[0] == "Content-Type"), None) for one in found
    }


def test_a_request_is_changed_in_its_body_or_lacks_a_header() -> None:
    call = Call("POST", "/api/v1/node/reports", {"Authorization": "Bearer x", "Accept": "application/json"}, BODY)
    found = [changed_call(call, dice) for dice in DICE]
    assert all(one.body != BODY or len(one.headers) == 1 for one in found)
    assert {tuple(one.headers) for one in found if one.body == BODY} == {("Accept",), ("Authorization",)}
    asked = [changed_call(Call("GET", "/api/v1/node/clock", dict(call.headers), b""), dice) for dice in DICE]
    assert all(not one.body and len(one.headers) == 1 for one in asked)


WORK: dict[str, Any] = {
    "epoch": 1,
    "run": {"id": "r"},
    "policy": {"kind": "skip"},
    "profile": {"name": "p"},
    "segments": [{"number": 1}],
    "override": {"id": "w", "rule": {"kind": "skip"}},
}


def test_a_newer_server_says_more_and_knows_only_its_own_tags() -> None:
    newer = NewerServer("v7", rule=True, word=True)
    answer = Answer(200, [("ETag", '"abc"')], json.dumps(WORK).encode())
    said = newer.said(Call("GET", "/api/v1/node/work?horizon=PT2H", {}, b""), answer)
    work = json.loads(said.body)
    assert said.headers == [("ETag", '"abc-v7"')]
    assert (work["policy"], work["override"]["rule"]) == ({"kind": "as-the-weather-allows"},) * 2
    for part in (work, work["run"], work["profile"], work["segments"][0]):
        assert part["draught_in_the_hall_m_per_s"] == 0.25

    def asked(tag: str) -> str | None:
        call = Call("GET", "/api/v1/node/work", {"If-None-Match": tag}, b"")
        return newer.asked(call).headers.get("If-None-Match")

    assert asked('"abc-v7"') == '"abc"'
    assert asked('"abc"') is None, "an older server gave it"
    assert asked('"abc-v8"') is None
    problem = Answer(409, [], b"{}")
    assert newer.said(Call("POST", "/api/v1/node/reports", {}, b""), problem) == problem


@pytest.mark.parametrize("trouble", ["answers-endless", "answers-dripping"])
def test_an_answer_without_an_end_breaks_off_as_its_trouble_is_over_or_as_the_node_has_had_enough(trouble: str) -> None:
    world = World(0.0)
    network, call = Network(0, world=world, served=None), Call("GET", "/api/v1/node/clock", {}, b"")  # type: ignore[arg-type]
    network.begin(trouble)
    with pytest.raises(TimeoutError):
        network.carry(call)
    assert world.now == ANSWER_LIMIT_S
    world.at(world.now + ANSWER_LIMIT_S / 2, lambda: network.end(trouble))
    with pytest.raises(urllib3.exceptions.ProtocolError):
        network.carry(call)
    assert world.now <= 1.5 * ANSWER_LIMIT_S + 2 * LOOK_S
