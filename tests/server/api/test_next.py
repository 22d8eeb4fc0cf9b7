"""When a place comes round next, over the API; what is told is tested beside `scheduling.paper.next_passage`."""

from __future__ import annotations

import json
from datetime import timedelta

import jsonschema
import pytest

from tests.server.api.test_bad_input import problem
from tests.server.studio import Caller, HeldClock


def test_a_longitude_fits_its_description(furnished: Caller, clock: HeldClock) -> None:
    """The run begins at noon; Greenwich is under the mean Sun then, and Lisbon half an hour later or so."""
    told = furnished.get("machines/wren-1/next?longitude=-9.1").json()
    description = json.loads(Caller().get("schema").content)
    operation = description["paths"]["/api/v1/machines/{id}/next"]["get"]
    schema = operation["responses"]["200"]["content"]["application/json"]["schema"]
    jsonschema.validate(told, schema | {"components": description["components"]})
    assert {one["name"] for one in operation["parameters"]} == {"id", "longitude", "phase", "column"}
    assert (told["machine"], told["run"], told["stands"]) == ("wren-1", "spring", "on the map")
    assert told["at"].startswith("2026-03-20T12:36:2")  # 9.1 degrees are 36.4 minutes
    assert told["laid"]["in_words"] == "between 12:36 and 12:40 on 2026-03-20"
    clock.at += timedelta(hours=12)
    assert furnished.get("machines/wren-1/next?longitude=-9.1").json()["at"].startswith("2026-03-21T12:36:2")


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ("", "longitude"),
        ("longitude=west", "longitude"),
        ("longitude=400", "longitude"),
        ("longitude=1&column=1", "column"),
        ("column=1.5", "column"),
        ("column=360", "column"),
        ("phase=2", "phase"),
        ("latitude=2", "latitude"),
    ],
)
def test_a_bad_question_is_named(furnished: Caller, query: str, field: str) -> None:
    assert problem(furnished.get(f"machines/wren-1/next?{query}"), 422)["field"] == field


def test_after_the_last_run_nothing_comes_round(furnished: Caller, node: Caller, clock: HeldClock) -> None:
    clock.at += timedelta(days=30)
    assert "No run of wren-1" in problem(furnished.get("machines/wren-1/next?longitude=0"), 404)["detail"]
    assert furnished.get("machines/nobody/next?longitude=0").status_code == 404
    assert Caller().get("machines/wren-1/next?longitude=0").status_code == 401
    assert node.get("machines/wren-1/next?longitude=0").status_code == 403
