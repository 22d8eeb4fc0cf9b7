"""The forecast over the API; what it counts is tested beside `scheduling.forecast`."""

from __future__ import annotations

import json
from datetime import timedelta

import jsonschema
import pytest

from machines.wire import Work
from tests.server.studio import Caller, HeldClock, printed
from tests.server.test_bad_input import problem


def test_a_forecast_fits_its_description_and_moves_on(furnished: Caller, node: Caller, clock: HeldClock) -> None:
    before = furnished.get("machines/wren-1/forecast").json()
    description = json.loads(Caller().get("schema").content)
    operation = description["paths"]["/api/v1/machines/{id}/forecast"]["get"]
    schema = operation["responses"]["200"]["content"]["application/json"]["schema"]
    jsonschema.validate(before, schema | {"components": description["components"]})
    assert {one["name"] for one in operation["parameters"]} == {"id", "idle_drops", "idle_every_s"}
    assert (before["machine"], before["at"], before["run"]["id"]) == ("wren-1", "2026-03-20T06:00:00.000000Z", "spring")
    assert before["run"]["to_come"]["paper_mm"] == 360.0  # three turns of 120 mm
    # Twelve strips begin in three turns; the last of them begins with the last column, 20 mm before the knife.
    assert before["run"]["to_come"]["cuts"] == 11
    work = Work.from_json(node.get("node/work").json())
    clock.at += timedelta(days=1)
    node.post("node/reports", {"epoch": 1, "entries": [printed(work, seq) for seq in range(1, 7)]})
    after = furnished.get("machines/wren-1/forecast").json()
    fed_mm = (work.segments[5].end_column - work.segments[0].first_column) / 3
    assert after["run"]["used"]["paper_mm"] == pytest.approx(fed_mm)
    assert after["run"]["to_come"]["paper_mm"] == pytest.approx(360.0 - fed_mm)
    assert after["roll"]["left_m"] == pytest.approx(30.0 - fed_mm / 1000)


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ("idle_drops=5", "idle_every_s"),
        ("idle_every_s=5", "idle_drops"),
        ("idle_drops=many&idle_every_s=5", "idle_drops"),
        ("idle_drops=2.5&idle_every_s=5", "idle_drops"),
        ("idle_drops=-2&idle_every_s=5", "idle_drops"),
        ("idle_drops=2&idle_every_s=0", "idle_every_s"),
        ("idle=2", "idle"),
    ],
)
def test_a_bad_question_is_named(furnished: Caller, query: str, field: str) -> None:
    assert problem(furnished.get(f"machines/wren-1/forecast?{query}"), 422)["field"] == field


def test_who_may_ask_and_of_what(furnished: Caller, node: Caller) -> None:
    problem(furnished.get("machines/nobody/forecast"), 404)
    problem(Caller().get("machines/wren-1/forecast"), 401)
    problem(node.get("machines/wren-1/forecast"), 403)
