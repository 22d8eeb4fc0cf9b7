"""The forecast over the API; what it counts is tested beside `scheduling.supplies.forecast`."""

from __future__ import annotations

import json
from datetime import timedelta

import jsonschema
import pytest

from machines.protocol.messages import Work
from tests.server.api.test_bad_input import problem
from tests.server.studio import IN_ORDER, MACHINE, PROFILE, RUN, SERVICE_WINDOW, Caller, HeldClock, changed, printed


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


def test_a_part_says_in_which_service_window_it_is_changed(studio: Caller) -> None:
    """A roll of 0.3 m serves 2.5 turns of 120 mm: it ends on Monday 23 March at midnight."""
    for resource, body in IN_ORDER:
        studio.create(resource, changed(body, "profile.media.roll_m", 0.3) if resource == "profiles" else body)
    told = studio.get("machines/wren-1/forecast").json()["run"]["roll_ends"]
    assert told["change"]["window"] is None and told["change"]["until"] is None
    said = "no service window before the roll ends at 00:04 on 2026-03-23: none is fixed at Quay House within"
    assert told["change"]["in_words"].startswith(said)
    weekly = {"kind": "weekly", "weekday": "sunday", "begins": "23:00", "ends": "02:00"}
    studio.create("service-windows", SERVICE_WINDOW | {"comes": weekly})
    told = studio.get("machines/wren-1/forecast").json()
    assert told["run"]["roll_ends"]["at"].startswith("2026-03-23T00:0")
    change = told["run"]["roll_ends"]["change"]
    assert (change["window"]["window"], change["window"]["starts_at"]) == ("rounds", "2026-03-22T23:00:00.000000Z")
    assert change["until"] == told["run"]["roll_ends"]["at"] < change["window"]["ends_at"]
    assert change["in_words"].endswith(", when the roll ends")
    description = json.loads(Caller().get("schema").content)
    operation = description["paths"]["/api/v1/machines/{id}/forecast"]["get"]
    schema = operation["responses"]["200"]["content"]["application/json"]["schema"]
    jsonschema.validate(told, schema | {"components": description["components"]})


def test_a_run_is_checked_before_it_is_planned(studio: Caller) -> None:
    for resource, body in IN_ORDER:
        if resource not in ("runs", "openings"):
            studio.create(resource, changed(body, "profile.media.roll_m", 0.3) if resource == "profiles" else body)
    answer = studio.post("run-checks", RUN)
    assert answer.status_code == 200, answer.content
    told = answer.json()
    description = json.loads(Caller().get("schema").content)
    operation = description["paths"]["/api/v1/run-checks"]["post"]
    schema = operation["responses"]["200"]["content"]["application/json"]["schema"]
    jsonschema.validate(told, schema | {"components": description["components"]})
    assert (told["run"], told["paper_mm"], told["cuts"]) == ("spring", 360.0, 11)
    assert told["ink"] is None, "a line head has none"
    assert "small drawing, whose scale is told" in operation["description"]
    (end,) = told["ends"]
    assert (end["part"], end["end"]["at"][:10]) == ("roll", "2026-03-23")
    warned = {one["kind"]: (one["field"], one["in_words"]) for one in told["warnings"]}
    assert set(warned) == {"no-board", "hours-missing", "begins-within-a-turn", "no-window"}
    assert warned["no-window"] == ("ends_at", f"{end['end']['change']['in_words']} (Europe/Lisbon)")
    assert studio.get("runs").json()["results"] == []
    planned = studio.create("runs", RUN)
    assert (told["first_column"], told["end_column"]) == (planned["first_column"], planned["end_column"])
    assert studio.get("machines/wren-1/forecast").json()["run"]["roll_ends"] == end["end"]
    refused = problem(studio.post("run-checks", RUN | {"id": "again"}), 422)
    head = {"kind": "carriage", "nozzles": 12, "passes": 2, "drop_pl": 10.0}
    inked = changed(changed(PROFILE, "profile.head", head), "profile.columns_per_burst", 12)
    studio.create("profiles", inked | {"id": "inked"})
    studio.create("machines", MACHINE | {"id": "inked-1", "profile": "inked"})
    told = studio.post("run-checks", RUN | {"id": "again", "machine": "inked-1"}).json()
    jsonschema.validate(told, schema | {"components": description["components"]})
    ink = told["ink"]
    assert (ink["drawn_columns"], ink["columns_per_turn"], ink["drawn_turns"]) == (360, 360, 1)
    assert ink["picture_ml"] > 0.0 and (ink["idle_ml"], ink["cartridges"]) == (None, None)
    assert refused["field"] == "starts_at" and "the machine is on run 'spring'" in refused["problem"]
