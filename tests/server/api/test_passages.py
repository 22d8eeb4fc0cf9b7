"""Every time that a place comes round, over the API; what is told is tested beside `scheduling.paper.passages_told`."""

from __future__ import annotations

import json
from datetime import timedelta

import jsonschema
import pytest

from tests.server.api.test_bad_input import problem
from tests.server.studio import Caller, HeldClock

PATH = "machines/wren-1/passages"


def test_what_is_told_fits_its_description(furnished: Caller) -> None:
    """The run begins at noon, and Greenwich is under the mean Sun then; 9.1 degrees west of it are 36.4 minutes."""
    told = furnished.get(f"{PATH}?longitude=-9.1&until=2026-03-23T00:00:00Z&zones=Asia/Tokyo,America/New_York").json()
    description = json.loads(Caller().get("schema").content)
    operation = description["paths"]["/api/v1/machines/{id}/passages"]["get"]
    schema = operation["responses"]["200"]["content"]["application/json"]["schema"]
    jsonschema.validate(told, schema | {"components": description["components"]})
    assert [one["passage"]["at"][:18] for one in told["passages"]] == [
        "2026-03-20T12:36:2",
        "2026-03-21T12:36:2",
        "2026-03-22T12:36:2",
    ]
    first = told["passages"][0]
    assert first["passage"]["laid"]["in_words"] == "between 12:36 and 12:40 on 2026-03-20"
    # Tokyo is nine hours ahead of UTC, New York four behind then (IANA time zone database).
    assert [(one["zone"], one["laid"]) for one in first["by_clocks"]] == [
        ("Asia/Tokyo", "between 21:36 and 21:40 on 2026-03-20"),
        ("America/New_York", "between 08:36 and 08:40 on 2026-03-20"),
    ]
    assert told["certainty"]["burst_s"] == pytest.approx(240.0, abs=0.001)


def test_from_now_on_for_a_month_where_nobody_says_otherwise(furnished: Caller, clock: HeldClock) -> None:
    told = furnished.get(f"{PATH}?column=3").json()
    assert (told["begins_at"], told["ends_at"]) == ("2026-03-20T06:00:00.000000Z", "2026-04-20T06:00:00.000000Z")
    clock.at += timedelta(days=1)
    later = furnished.get(f"{PATH}?column=3").json()["passages"]
    assert later == told["passages"][1:]
    past = furnished.get(f"{PATH}?column=3&from=2026-03-20T06:00:00Z").json()["passages"]
    assert past == told["passages"], "a time that is over is told, too"


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ("", "longitude"),
        ("longitude=400", "longitude"),
        ("longitude=1&phase=0.5", "phase"),
        ("column=360", "column"),
        ("column=3&from=noon", "from"),
        ("column=3&from=9999-12-31T00:00:00Z", "from"),
        ("column=3&until=2026-03-19T00:00:00Z", "until"),
        ("column=3&until=2027-06-01T00:00:00Z", "until"),
        ("column=3&zones=Mars/Olympus", "zones"),
        ("column=3&zones=" + ",".join(["Asia/Tokyo"] * 9), "zones"),
        ("latitude=2", "latitude"),
    ],
)
def test_a_bad_question_is_named(furnished: Caller, query: str, field: str) -> None:
    assert problem(furnished.get(f"{PATH}?{query}"), 422)["field"] == field


def test_of_a_machine_that_is_not_there_and_to_whom_it_is_not_said(furnished: Caller, node: Caller) -> None:
    assert furnished.get("machines/nobody/passages?phase=0.5").status_code == 404
    assert Caller().get(f"{PATH}?phase=0.5").status_code == 401
    assert node.get(f"{PATH}?phase=0.5").status_code == 403
