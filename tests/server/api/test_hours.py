"""A venue's hours: set as a whole, shown on the venue, and refused by name where they cannot be."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import pytest

from scheduling.log.models import Event
from tests.server.studio import VENUE, Caller, changed

HOURS: dict[str, Any] = {
    "week": {
        "tuesday": [{"opens": "10:00", "closes": "13:00"}, {"opens": "14:00", "closes": "18:00"}],
        "friday": [{"opens": "18:00", "closes": "01:00"}],
    },
    "dates": [{"date": "2026-12-24", "open": []}],
}


@pytest.fixture
def quay(studio: Caller) -> Caller:
    studio.create("venues", VENUE)
    return studio


def test_a_venue_has_no_hours_until_somebody_sets_them(quay: Caller) -> None:
    assert quay.get("venues/quay").json()["hours"] is None


def test_they_are_shown_with_every_day_filled_in(quay: Caller) -> None:
    response = quay.put("venues/quay/hours", HOURS)
    assert response.status_code == 200, response.content
    shown = quay.get("venues/quay").json()
    assert response.json() == shown
    assert shown["hours"]["week"]["tuesday"] == HOURS["week"]["tuesday"]
    assert shown["hours"]["week"]["monday"] == []
    assert shown["hours"]["dates"] == HOURS["dates"]
    event = Event.objects.get(kind="hours-set")
    assert (event.stream, event.version) == ("venue/quay", 2)


def test_set_again_they_replace_those_before(quay: Caller) -> None:
    quay.put("venues/quay/hours", HOURS)
    quay.put("venues/quay/hours", {"week": {}})
    assert quay.get("venues/quay").json()["hours"]["dates"] == []
    assert Event.objects.filter(kind="hours-set").count() == 2


def test_the_same_again_writes_nothing(quay: Caller) -> None:
    for _ in range(2):
        assert quay.put("venues/quay/hours", HOURS).status_code == 200
    assert Event.objects.filter(kind="hours-set").count() == 1


@pytest.mark.parametrize(
    ("path", "value", "field"),
    [
        ("week", ..., "week"),
        ("week.someday", [], "week.someday"),
        ("week.tuesday", ["10:00-18:00"], "week.tuesday[0]"),
        ("week.friday", [{"opens": "18:00", "closes": "18:00"}], "week.friday[0].closes"),
        ("week.friday", [{"opens": "6 pm", "closes": "18:00"}], "week.friday[0].opens"),
        ("week.monday", [{"opens": "22:00", "closes": "11:00"}], "week.tuesday[0]"),
        ("dates", [{"date": "24 December"}], "dates[0].date"),
        ("dates", [{"date": "2026-12-24", "closed": True}], "dates[0].closed"),
    ],
)
def test_what_cannot_be_is_refused_by_name_and_nothing_is_written(
    quay: Caller, path: str, value: Any, field: str
) -> None:
    response = quay.put("venues/quay/hours", changed(HOURS, path, value))
    assert response.status_code == 422
    assert response["Content-Type"] == "application/problem+json"
    assert response.json()["field"] == field
    assert response.json()["remedy"]
    assert not Event.objects.filter(kind="hours-set").exists()


def test_hours_of_a_venue_that_does_not_exist(studio: Caller) -> None:
    assert studio.put("venues/nowhere/hours", HOURS).status_code == 404


def test_nobody_sets_them_without_a_key(quay: Caller) -> None:
    assert Caller().put("venues/quay/hours", HOURS).status_code == 401


def test_the_description_tells_what_they_are(quay: Caller) -> None:
    description = json.loads(Caller().get("schema").content)
    operation = description["paths"]["/api/v1/venues/{id}/hours"]["put"]
    schema = operation["requestBody"]["content"]["application/json"]["schema"]
    jsonschema.validate(HOURS, schema | {"components": description["components"]})
    shown = operation["responses"]["200"]["content"]["application/json"]["schema"]
    jsonschema.validate(quay.put("venues/quay/hours", HOURS).json(), shown | {"components": description["components"]})
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({"week": {"someday": []}}, schema | {"components": description["components"]})
