"""Service windows over the API: fixed, listed by venue, called off, as they were, and when they come."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any

import jsonschema
import pytest

from scheduling.log.models import Event
from server.accounts.principals import Grant
from tests.server.api.test_bad_input import problem
from tests.server.keys import new_key
from tests.server.studio import FAR_VENUE, SERVICE_WINDOW, VENUE, Caller, HeldClock, changed

VISIT: dict[str, Any] = {
    "id": "visit",
    "venue": "shed",
    "name": "New blade",
    "comes": {"kind": "once", "anchor": {"event": "sunset", "date": "2026-03-21", "offset": "PT30M"}, "minutes": 45},
}


@pytest.fixture
def two(studio: Caller) -> Caller:
    """A window at each of two venues."""
    for venue in (VENUE, FAR_VENUE):
        studio.create("venues", venue)
    for window in (SERVICE_WINDOW, VISIT):
        studio.create("service-windows", window)
    return studio


def misfits(value: Any, path: str, method: str, status: str = "200") -> list[str]:
    """What the API's description says against an answer."""
    description = json.loads(Caller().get("schema").content)
    operation = description["paths"][f"/api/v1/{path}"][method]
    schema = operation["responses"][status]["content"]["application/json"]["schema"]
    judge = jsonschema.Draft202012Validator(schema | {"components": description["components"]})
    return [error.message for error in judge.iter_errors(value)]


def test_what_was_fixed_can_be_read_again(two: Caller) -> None:
    rounds, visit = (two.get(f"service-windows/{id}").json() for id in ("rounds", "visit"))
    assert rounds == changed(SERVICE_WINDOW, "comes.first_date", None) | {
        "begins_at": None,
        "called_off_at": None,
        "called_off_because": None,
        "dates_off": [],
    }
    assert visit.items() >= VISIT.items()
    # The Sun stands highest over 176.56 west at 23:54 UTC about the equinox, by 8 minutes of equation of time, and
    # sets 6 hours and some minutes on: local 21 March it is still the 21st in UTC. Half an hour after is 06:27.
    assert visit["begins_at"].startswith("2026-03-21T06:27")
    listed = two.get("service-windows").json()
    assert listed == {"results": [rounds, visit], "next": None}
    assert misfits(listed, "service-windows", "get") == []
    assert misfits(visit, "service-windows/{id}", "get") == []
    assert misfits(rounds | {"comes": {"kind": "daily"}}, "service-windows/{id}", "get") != []


def test_they_are_listed_by_venue(two: Caller) -> None:
    def ids(query: str) -> list[str]:
        return [one["id"] for one in two.get(f"service-windows?{query}").json()["results"]]

    assert (ids("venue=quay"), ids("venue=shed"), ids("")) == (["rounds"], ["visit"], ["rounds", "visit"])
    assert (ids("venue=quay&at=2026-04-01T00:00:00Z"), ids("venue=shed&known_by=2026-03-20T05:00:00Z")) == (
        ["rounds"],
        [],
    )
    assert problem(two.get("service-windows?venue=nowhere"), 422)["field"] == "venue"


def test_adding_tells_where_it_is_and_an_id_is_taken_once(two: Caller) -> None:
    response = two.post("service-windows", SERVICE_WINDOW | {"id": "more"})
    assert (response.status_code, response["Location"]) == (201, "http://testserver/api/v1/service-windows/more")
    another = SERVICE_WINDOW | {"id": "more", "name": "Another"}
    assert problem(two.post("service-windows", another), 409)["type"] == "/api/v1/problems/taken"


def test_one_is_called_off_once_and_stays_marked(two: Caller, clock: HeldClock) -> None:
    clock.at += timedelta(hours=1)
    response = two.post("service-windows/rounds/call-off", {"reason": "closed for works"})
    assert response.status_code == 200, response.content
    off = two.get("service-windows/rounds").json()
    assert response.json() == off
    assert misfits(off, "service-windows/{id}/call-off", "post") == []
    assert (off["called_off_at"], off["called_off_because"]) == ("2026-03-20T07:00:00.000000Z", "closed for works")
    clock.at += timedelta(hours=1)
    assert two.post("service-windows/rounds/call-off", {}).json() == off
    assert Event.objects.filter(kind="service-window-called-off").count() == 1
    assert [one["id"] for one in two.get("service-windows").json()["results"]] == ["rounds", "visit"]
    assert two.get("venues/quay/service-windows").json()["windows"] == []


def test_what_was_called_off_later_stood_then(two: Caller, clock: HeldClock) -> None:
    before = two.get("service-windows/rounds").json()
    clock.at += timedelta(hours=1)
    now = two.post("service-windows/rounds/call-off", {}).json()
    for query, row in (("at=2026-03-20T06:59:59Z", before), ("at=2026-03-20T07:00:00Z", now)):
        assert two.get(f"service-windows/rounds?{query}").json() == row
        assert two.get(f"service-windows?{query}&limit=1").json()["results"] == [row]
        assert two.get(f"service-windows/rounds?known_by={query[3:]}").json() == row
    assert two.get("service-windows/rounds?at=2026-03-20T05:59:59Z").status_code == 404
    assert two.get("service-windows?at=2026-03-20T05:59:59Z").json() == {"results": [], "next": None}


def test_one_date_of_a_weekly_one_is_called_off(two: Caller) -> None:
    for _ in range(2):
        off = two.post("service-windows/rounds/call-off", {"date": "2026-03-31", "reason": "a holiday"}).json()
        assert (off["dates_off"], off["called_off_at"]) == (["2026-03-31"], None)
    assert misfits(off, "service-windows/{id}", "get") == []
    assert Event.objects.filter(kind="service-window-called-off").count() == 1
    told = two.get("venues/quay/service-windows").json()["windows"]
    assert [one["local_starts_at"][:10] for one in told] == ["2026-03-24", "2026-04-07", "2026-04-14"]


@pytest.mark.parametrize(
    ("path", "body", "status", "field"),
    [
        ("rounds", {"date": "2026-03-30"}, 422, "date"),
        ("rounds", {"date": "2026-12-29"}, 422, "date"),
        ("rounds", {"date": "Tuesday"}, 422, "date"),
        ("rounds", {"date": "0001-01-02"}, 422, "date"),  # a Tuesday, and out of reach
        ("visit", {"date": "2026-03-21"}, 422, "date"),
        ("rounds", {"reason": "x" * 501}, 422, "reason"),
        ("rounds", {"because": "ill"}, 422, "because"),
        ("rounds", {"reason": 5}, 422, "reason"),
        ("nothing", {}, 404, None),
    ],
)
def test_what_cannot_be_called_off(two: Caller, path: str, body: Any, status: int, field: str | None) -> None:
    assert problem(two.post(f"service-windows/{path}/call-off", body), status).get("field") == field
    assert not Event.objects.filter(kind="service-window-called-off").exists()


def test_a_curator_of_another_venue_calls_nothing_off(two: Caller) -> None:
    curator = Caller(new_key("curator", Grant("curator", ("shed",))))
    assert curator.post("service-windows/rounds/call-off", {}).status_code == 403
    assert curator.post("service-windows", SERVICE_WINDOW | {"id": "more"}).status_code == 403
    assert curator.post("service-windows/visit/call-off", {}).status_code == 200


def test_the_times_that_they_come_in_utc_and_by_the_clock_there(two: Caller) -> None:
    """Lisbon's clocks go forward on 29 March 2026: a Tuesday before and one after."""
    told = two.get("venues/quay/service-windows?from=2026-03-24T10:30:00Z&to=2026-04-01T00:00:00Z").json()
    assert misfits(told, "venues/{id}/service-windows", "get") == []
    assert (told["venue"], told["zone"], told["starts_at"]) == ("quay", "Europe/Lisbon", "2026-03-24T10:30:00.000000Z")
    assert told["windows"] == [
        {
            "window": "rounds",
            "name": "Tuesday rounds",
            "starts_at": "2026-03-24T10:00:00.000000Z",
            "ends_at": "2026-03-24T11:30:00.000000Z",
            "local_starts_at": "2026-03-24T10:00:00+00:00",
            "local_ends_at": "2026-03-24T11:30:00+00:00",
        },
        {
            "window": "rounds",
            "name": "Tuesday rounds",
            "starts_at": "2026-03-31T09:00:00.000000Z",
            "ends_at": "2026-03-31T10:30:00.000000Z",
            "local_starts_at": "2026-03-31T10:00:00+01:00",
            "local_ends_at": "2026-03-31T11:30:00+01:00",
        },
    ]


def test_without_a_question_it_is_the_four_weeks_from_now(two: Caller) -> None:
    told = two.get("venues/quay/service-windows").json()
    assert (told["starts_at"], told["ends_at"]) == ("2026-03-20T06:00:00.000000Z", "2026-04-17T06:00:00.000000Z")
    assert len(told["windows"]) == 4
    (visit,) = two.get("venues/shed/service-windows").json()["windows"]
    assert visit["local_starts_at"].startswith("2026-03-21T") and visit["local_starts_at"].endswith("+13:45")


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ("from=tomorrow", "from"),
        ("from=2026-03-24T10:30:00", "from"),
        ("from=9999-12-31T00:00:00Z", "from"),
        ("from=0001-01-01T00:00:00Z", "from"),
        ("to=2026-03-20T06:00:00Z", "to"),
        ("to=2027-03-22T06:00:00Z", "to"),
        ("to=9999-12-31T23:59:59Z", "to"),
        ("at=2026-03-20T06:00:00Z", "at"),
    ],
)
def test_a_bad_question_is_named(two: Caller, query: str, field: str) -> None:
    assert problem(two.get(f"venues/quay/service-windows?{query}"), 422)["field"] == field


def test_of_a_venue_that_does_not_exist(studio: Caller) -> None:
    assert studio.get("venues/nowhere/service-windows").status_code == 404


def test_nobody_comes_in_without_a_key(two: Caller) -> None:
    for path in ("service-windows", "service-windows/rounds", "venues/quay/service-windows"):
        assert Caller().get(path).status_code == 401
    assert Caller().post("service-windows", VISIT | {"id": "more"}).status_code == 401


def test_the_description_tells_what_can_be_asked(two: Caller) -> None:
    description = json.loads(Caller().get("schema").content)

    def body(path: str) -> jsonschema.Draft202012Validator:
        operation = description["paths"][f"/api/v1/{path}"]["post"]
        schema = operation["requestBody"]["content"]["application/json"]["schema"]
        return jsonschema.Draft202012Validator(schema | {"components": description["components"]})

    fixing, off = body("service-windows"), body("service-windows/{id}/call-off")
    assert (
        fixing.is_valid(SERVICE_WINDOW)
        and fixing.is_valid(VISIT)
        and off.is_valid({})
        and off.is_valid({"reason": "x"})
    )
    assert not fixing.is_valid(SERVICE_WINDOW | {"comes": {"kind": "weekly"}}) and not off.is_valid({"because": "x"})
    parameters = {
        path: {one["name"] for one in description["paths"][f"/api/v1/{path}"]["get"]["parameters"]}
        for path in ("service-windows", "service-windows/{id}", "venues/{id}/service-windows")
    }
    assert parameters == {
        "service-windows": {"limit", "cursor", "at", "known_by", "venue"},
        "service-windows/{id}": {"id", "at", "known_by"},
        "venues/{id}/service-windows": {"id", "from", "to"},
    }
