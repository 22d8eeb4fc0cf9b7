"""What lies on a machine's paper at an instant, over the API; what is told is tested beside
`scheduling.answers.paper_at`."""

from __future__ import annotations

import json
from datetime import timedelta

import jsonschema
import pytest

from tests.server.api.test_bad_input import problem
from tests.server.studio import Caller, HeldClock

PATH = "machines/wren-1/at"


def test_what_is_told_fits_its_description(furnished: Caller) -> None:
    told = furnished.get(f"{PATH}?time=2026-03-21T00:01:00Z&zones=Asia/Tokyo,Pacific/Chatham").json()
    description = json.loads(Caller().get("schema").content)
    operation = description["paths"]["/api/v1/machines/{id}/at"]["get"]
    schema = operation["responses"]["200"]["content"]["application/json"]["schema"]
    jsonschema.validate(told, schema | {"components": description["components"]})
    assert told["source"] == "planned" and told["newest"] == told["due"]
    # The Sun is over the opposite of Greenwich at midnight, but for the minute since.
    assert abs(told["due"]["first_longitude"]) == pytest.approx(180.0, abs=1.0)
    # Tokyo is nine hours ahead of UTC; the Chatham Islands 13:45 while it is summer there, until 5 April (IANA).
    assert [one["in_words"] for one in told["at"]["by_clocks"]] == ["2026-03-21 09:01", "2026-03-21 13:46"]
    mm = sum(one["columns"]["length_mm"] for one in told["hangs"])
    knife = furnished.get("profiles/wren").json()["profile"]["knife"]
    assert mm + told["blank_mm"] == pytest.approx(knife["head_to_knife_mm"], abs=1.0)


def test_now_where_nobody_says_when(furnished: Caller, clock: HeldClock) -> None:
    told = furnished.get(PATH).json()
    assert told["at"]["at"] == "2026-03-20T06:00:00.000000Z" and told["due"] is None and told["hangs"] == []
    clock.at += timedelta(days=1)
    assert furnished.get(PATH).json()["source"] == "not-told-yet"


@pytest.mark.parametrize(
    ("query", "field"),
    [("time=noon", "time"), ("time=2999-01-01T00:00:00Z", "time"), ("zones=Mars/Olympus", "zones")],
)
def test_what_is_wrong_is_said(furnished: Caller, query: str, field: str) -> None:
    assert problem(furnished.get(f"{PATH}?{query}"), 422)["field"] == field
