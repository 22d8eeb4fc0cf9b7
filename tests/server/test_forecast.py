"""The forecast over the API; what it counts is tested beside `scheduling.forecast`."""

from __future__ import annotations

import json
from datetime import timedelta

import jsonschema
import pytest

from machines.wire import Work
from tests.server.studio import IN_ORDER, Caller, HeldClock, changed, printed
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
    assert problem(furnished.get("machines/nobody/forecast"), 404)["type"] == "about:blank"
    assert Caller().get("machines/wren-1/forecast").status_code == 401
    assert node.get("machines/wren-1/forecast").status_code == 403


def test_the_supplies_of_a_turn_and_of_a_segment_fit_their_description(furnished: Caller) -> None:
    description = json.loads(Caller().get("schema").content)
    operation = description["paths"]["/api/v1/runs/{id}/supplies"]["get"]
    schema = operation["responses"]["200"]["content"]["application/json"]["schema"]
    assert {one["name"] for one in operation["parameters"]} == {"id", "turn", "segment", "idle_drops", "idle_every_s"}
    run = furnished.get("runs/spring").json()
    segment = furnished.get("runs/spring/segments").json()["results"][30]
    turn = run["first_column"] // 360 + 1
    for query, first, end in (
        ("", run["first_column"], run["end_column"]),
        (f"?turn={turn}", 360 * turn, 360 * (turn + 1)),
        (f"?segment={segment['number']}", segment["first_column"], segment["end_column"]),
    ):
        told = furnished.get(f"runs/spring/supplies{query}").json()
        jsonschema.validate(told, schema | {"components": description["components"]})
        assert (told["first_column"], told["end_column"]) == (first, end)
        assert told["supplies"]["paper_mm"] == pytest.approx((end - first) / 3)


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ("turn=5", "turn"),
        ("turn=five", "turn"),
        ("segment=1.5", "segment"),
        ("segment=-7", "segment"),
        ("turn=9580&segment=229920", "segment"),
        ("idle_drops=2", "idle_every_s"),
        ("column=2", "column"),
    ],
)
def test_supplies_of_what_the_run_does_not_hold_are_refused_by_name(furnished: Caller, query: str, field: str) -> None:
    assert problem(furnished.get(f"runs/spring/supplies?{query}"), 422)["field"] == field


def test_the_profile_tells_the_forecast_of_idle_firing_and_of_the_cartridge(studio: Caller) -> None:
    head = {"kind": "carriage", "nozzles": 12, "passes": 3, "drop_pl": 10.0, "cartridge_ml": 40.0}
    firing = {"idle_firing": {"drops": 50, "every_s": 600.0}}
    for resource, body in IN_ORDER:
        studio.create(resource, changed(body, "profile.head", head | firing) if resource == "profiles" else body)
    told = studio.get("machines/wren-1/forecast").json()
    assert told["cartridge"] == {"holds_ml": 40.0, "changed_at": None, "used_ml": 0.0, "left_ml": 40.0}
    per_day_ml = 12 * 50 * 10e-9 * 144
    assert told["run"]["per_turn"]["idle_ml"] == pytest.approx(per_day_ml)
    asked = studio.get("machines/wren-1/forecast?idle_drops=100&idle_every_s=600").json()
    assert asked["run"]["per_turn"]["idle_ml"] == pytest.approx(2 * per_day_ml)
