"""The API keeps what it said; and what would break a caller is found."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from typing import Any

import pytest

from tests.api_stability import RELEASED, breaking, present, written

NOW: dict[str, Any] = present()
RUNS = "/api/v1/runs"
PLAN = NOW["components"]["schemas"]["PlanRun"]


def test_it_keeps_what_the_last_release_said() -> None:
    """Where a call has to break its callers all the same, it gets another address; see `tests.api_stability`."""
    assert breaking(json.loads(RELEASED.read_text()), NOW) == []


def test_what_is_written_is_read_as_it_was() -> None:
    assert json.loads(written(NOW)) == NOW


def schemas(document: Any) -> Any:
    return document["components"]["schemas"]


def gone(document: Any) -> None:
    del document["paths"][RUNS]["post"]


def wanted(document: Any) -> None:
    schemas(document)["PlanRun"]["required"].append("nozzle_seed")


def dropped(document: Any) -> None:
    del schemas(document)["Work"]["properties"]["plates"]


def taken_back(document: Any) -> None:
    del schemas(document)["PlanRun"]["properties"]["strips_per_turn"]


def lower(document: Any) -> None:
    schemas(document)["Profile"]["properties"]["dots_across"]["maximum"] = 1000


def raised(document: Any) -> None:
    schemas(document)["KnifeArmed"]["properties"]["seq"]["minimum"] = 2


def other_type(document: Any) -> None:
    schemas(document)["Work"]["properties"]["poll_after_s"] = {"type": "string"}


def no_such_kind(document: Any) -> None:
    schemas(document)["Reports"]["properties"]["entries"]["items"]["oneOf"].pop()


def no_such_choice(document: Any) -> None:
    schemas(document)["Policy"]["properties"]["kind"]["enum"].remove("blank")


def asked_with(document: Any) -> None:
    document["paths"]["/api/v1/node/work"]["get"]["parameters"][0]["required"] = True


def unknown_parameter(document: Any) -> None:
    document["paths"]["/api/v1/node/work"]["get"]["parameters"].pop()


def null_now(document: Any) -> None:
    epoch = schemas(document)["Work"]["properties"]["epoch"]
    schemas(document)["Work"]["properties"]["epoch"] = {"anyOf": [epoch, {"type": "null"}]}


BREAKS: dict[Callable[[Any], None], str] = {
    gone: "POST /api/v1/runs is gone",
    wanted: "PlanRun.nozzle_seed is wanted now",
    dropped: "Work.plates is gone",
    taken_back: "PlanRun.strips_per_turn is gone",
    lower: "dots_across has maximum 1000, and had 65536",
    raised: "seq has minimum 2, and had 1",
    other_type: "poll_after_s is string and was number",
    no_such_kind: "takes no FeedCorrected any more",
    no_such_choice: "takes no 'blank' any more",
    asked_with: "GET /api/v1/node/work wants horizon (query) now",
    unknown_parameter: "GET /api/v1/node/work knows no horizon (query) any more",
    null_now: "Work.epoch may be null now",
}


@pytest.mark.parametrize("change", BREAKS, ids=lambda change: change.__name__)
def test_what_breaks_a_caller_is_found(change: Callable[[Any], None]) -> None:
    then = copy.deepcopy(NOW)
    change(then)
    found = breaking(NOW, then)
    assert any(BREAKS[change] in one for one in found), found


def added(document: Any) -> None:
    schemas(document)["Work"]["properties"]["colour"] = {"type": "string"}
    schemas(document)["PlanRun"]["properties"]["colour"] = {"type": "string"}
    schemas(document)["Profile"]["properties"]["dots_across"]["maximum"] = 100_000
    schemas(document)["Policy"]["properties"]["kind"]["enum"].append("twice")
    document["paths"]["/api/v1/colours"] = {"get": {"responses": {}}}


def test_what_comes_in_addition_breaks_nobody() -> None:
    then = copy.deepcopy(NOW)
    added(then)
    assert breaking(NOW, then) == []
