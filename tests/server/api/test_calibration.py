"""What was measured of a machine: kept as a whole, shown on the machine, and refused by name where it cannot be."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import pytest

from scheduling.log.models import Event
from tests.server.studio import MACHINE, PROFILE, VENUE, Caller, changed

MEASURED = {"feed_factor": 0.995, "dead_nozzles": [3, 7], "head_to_knife_mm": 21.5}
HEAD = {"kind": "carriage", "nozzles": 12, "passes": 3, "drop_pl": 10.0}
ADDRESS = "machines/wren-1/calibration"


def with_machine(studio: Caller, profile: dict[str, Any]) -> Caller:
    for resource, body in (("venues", VENUE), ("profiles", profile), ("machines", MACHINE)):
        studio.create(resource, body)
    return studio


@pytest.fixture
def wren(studio: Caller) -> Caller:
    return with_machine(studio, changed(PROFILE, "profile.head", HEAD))


def test_a_machine_is_what_its_profile_says_until_somebody_measures(wren: Caller) -> None:
    assert wren.get("machines/wren-1").json()["calibration"] is None


def test_what_was_measured_is_shown_and_stands_in_the_log(wren: Caller) -> None:
    response = wren.put(ADDRESS, MEASURED)
    assert response.status_code == 200, response.content
    assert response.json() == wren.get("machines/wren-1").json()
    assert response.json()["calibration"] == MEASURED
    event = Event.objects.get(kind="machine-calibrated")
    assert (event.stream, event.version) == ("machine/wren-1", 2)


def test_it_replaces_what_was_measured_before_and_the_same_again_writes_nothing(wren: Caller) -> None:
    wren.put(ADDRESS, MEASURED)
    wren.put(ADDRESS, MEASURED)
    wren.put(ADDRESS, {"feed_factor": 1.01})
    shown = wren.get("machines/wren-1").json()["calibration"]
    assert shown == {"feed_factor": 1.01, "dead_nozzles": [], "head_to_knife_mm": None}
    assert Event.objects.filter(kind="machine-calibrated").count() == 2


def test_what_was_measured_then_can_be_asked_for_later(wren: Caller) -> None:
    wren.put(ADDRESS, MEASURED)
    assert wren.get("machines/wren-1?at=2026-03-20T06:00:00Z").json()["calibration"] == MEASURED


@pytest.mark.parametrize(
    ("path", "value", "field"),
    [
        ("feed_factor", 0.5, "feed_factor"),
        ("feed_factor", "1", "feed_factor"),
        ("dead_nozzles", [3, 12], "dead_nozzles"),
        ("dead_nozzles", [7, 3], "dead_nozzles"),
        ("dead_nozzles", list(range(10)), "dead_nozzles"),
        ("dead_nozzles", [-1], "dead_nozzles"),
        ("head_to_knife_mm", -1.0, "head_to_knife_mm"),
        ("slip", 0.1, "slip"),
    ],
)
def test_what_cannot_be_is_refused_by_name_and_nothing_is_written(
    wren: Caller, path: str, value: Any, field: str
) -> None:
    response = wren.put(ADDRESS, changed(MEASURED, path, value))
    assert response.status_code == 422
    assert response.json()["field"] == field
    assert response.json()["remedy"]
    assert not Event.objects.filter(kind="machine-calibrated").exists()


def test_a_machine_without_a_knife_has_no_distance_to_it(studio: Caller) -> None:
    with_machine(studio, changed(PROFILE, "profile.knife", None))
    assert studio.put(ADDRESS, {"head_to_knife_mm": 20.0}).json()["field"] == "head_to_knife_mm"


def test_who_may_and_of_what(wren: Caller) -> None:
    assert wren.put("machines/nobody/calibration", MEASURED).status_code == 404
    assert Caller().put(ADDRESS, MEASURED).status_code == 401


def test_the_description_tells_what_it_is(wren: Caller) -> None:
    description = json.loads(Caller().get("schema").content)
    operation = description["paths"]["/api/v1/machines/{id}/calibration"]["put"]
    schema = operation["requestBody"]["content"]["application/json"]["schema"]
    jsonschema.validate(MEASURED, schema | {"components": description["components"]})
    shown = operation["responses"]["200"]["content"]["application/json"]["schema"]
    for answer in (wren.get("machines/wren-1").json(), wren.put(ADDRESS, MEASURED).json()):
        jsonschema.validate(answer, shown | {"components": description["components"]})
    assert answer["calibration"] == MEASURED


def test_the_node_is_told(node: Caller, furnished: Caller) -> None:
    before = node.get("node/work")
    assert before.json()["calibration"] is None
    furnished.put(ADDRESS, {"feed_factor": 0.995, "head_to_knife_mm": 21.5})
    after = node.get("node/work", HTTP_IF_NONE_MATCH=before["ETag"])
    assert after.status_code == 200  # the work is another one now
    assert after.json()["calibration"] == {"feed_factor": 0.995, "dead_nozzles": [], "head_to_knife_mm": 21.5}


def test_what_is_told_of_the_paper_goes_by_what_was_measured(furnished: Caller) -> None:
    """Columns of a third of a millimetre: 20.1 mm are counted as 60 of them."""
    assert furnished.get("runs/spring/geometry").json()["knife_rounding_mm"] == pytest.approx(0.0)
    furnished.put(ADDRESS, {"head_to_knife_mm": 20.1})
    assert furnished.get("runs/spring/geometry").json()["knife_rounding_mm"] == pytest.approx(-0.1)
