"""What was added can be read again, in pages, and the description of the API describes it."""

from __future__ import annotations

import json
from datetime import timedelta
from itertools import pairwise
from typing import Any

import jsonschema
import pytest
from drf_spectacular.validation import validate_schema

from machines.protocol.messages import Work
from tests.server.studio import IN_ORDER, VENUE, Caller, HeldClock, printed


def test_each_resource_shows_what_was_added(furnished: Caller) -> None:
    for resource, body in IN_ORDER:
        shown = furnished.get(f"{resource}/{body['id']}").json()
        assert furnished.get(resource).json() == {"results": [shown], "next": None}
        for name, value in body.items():
            if isinstance(value, dict):  # stands there with its defaults filled in
                assert shown[name].items() >= value.items()
            else:
                assert shown[name] == value, (resource, name)


def test_adding_tells_where_it_is(studio: Caller) -> None:
    response = studio.post("venues", VENUE)
    assert (response.status_code, response["Location"]) == (201, "http://testserver/api/v1/venues/quay")


def test_lists_come_in_pages(studio: Caller) -> None:
    names = [f"v{number:02}" for number in range(25)]
    for name in reversed(names):
        studio.create("venues", VENUE | {"id": name})
    seen: list[str] = []
    cursor = ""
    while True:
        page = studio.get(f"venues?limit=10{cursor}").json()
        seen += [venue["id"] for venue in page["results"]]
        if page["next"] is None:
            break
        studio.post("venues", VENUE | {"id": "a-late-one"})  # neither repeats nor hides one
        cursor = f"&cursor={page['next']}"
    assert seen == names


def test_segments_are_in_order_and_cover_the_run(furnished: Caller) -> None:
    run = furnished.get("runs/spring").json()
    segments = furnished.get("runs/spring/segments?limit=1000").json()["results"]
    assert segments[0]["first_column"] == run["first_column"]
    assert segments[-1]["end_column"] == run["planned_to_column"] == run["end_column"]
    assert all(a["end_column"] == b["first_column"] for a, b in pairwise(segments))
    assert furnished.get("runs/unheard-of/segments").status_code == 404


def test_instants_have_microseconds_and_z(furnished: Caller) -> None:
    assert furnished.get("openings/first-night").json()["opens_at"] == "2026-03-21T19:00:00.000000Z"


def test_events_can_be_read_from_the_beginning(furnished: Caller) -> None:
    events = furnished.get("events?limit=1000").json()["results"]
    assert [event["position"] for event in events] == list(range(1, len(events) + 1))
    assert [event["kind"] for event in events[:4]] == ["key-made", "venue-added", "profile-added", "machine-added"]
    planned = furnished.get("events?stream=run/spring&kind=segments-planned").json()["results"]
    assert planned and all(event["stream"] == "run/spring" for event in planned)
    after = furnished.get("events?limit=2").json()["next"]
    assert furnished.get(f"events?limit=1&cursor={after}").json()["results"][0]["position"] == 3


@pytest.fixture
def description(db: None) -> dict[str, Any]:
    response = Caller().get("schema")
    assert response.status_code == 200
    return dict(json.loads(response.content))


def test_the_description_is_valid_openapi(description: dict[str, Any]) -> None:
    """Judged by the OpenAPI Initiative's own schema of 3.1 (2022-10-07), as drf-spectacular carries it."""
    assert description["openapi"].startswith("3.1")
    validate_schema(description)


def test_the_description_names_every_call_and_every_reference_leads_somewhere(description: dict[str, Any]) -> None:
    paths = {path.removeprefix("/api/v1/") for path in description["paths"]}
    wanted = {"node/enrol", "node/clock", "node/work", "node/reports", "plates/{digest}.png", "runs/{run}/segments"}
    assert wanted | {resource for resource, _ in IN_ORDER} | {"events", "outages", "notices"} <= paths
    schemas = description["components"]["schemas"]

    def references(value: Any) -> list[str]:
        if isinstance(value, dict):
            own = [value["$ref"]] if isinstance(value.get("$ref"), str) else []
            return own + [found for inner in value.values() for found in references(inner)]
        return [found for inner in value for found in references(inner)] if isinstance(value, list) else []

    for reference in references(description):
        kind, name = reference.removeprefix("#/components/").split("/")
        assert name in description["components"][kind], reference
    assert {"AddVenue", "PlanRun", "Reports", "Work", "Profile", "Problem"} <= set(schemas)


@pytest.mark.parametrize(
    ("path", "method", "schemes"),
    [
        ("venues", "get", ["studioKey"]),
        ("runs", "post", ["studioKey"]),
        ("node/work", "get", ["nodeToken"]),
        ("node/reports", "post", ["nodeToken"]),
        ("plates/{digest}.png", "get", ["studioKey", "nodeToken"]),
        ("node/enrol", "post", []),
    ],
)
def test_the_description_says_who_may_come_in(
    description: dict[str, Any], path: str, method: str, schemes: list[str]
) -> None:
    operation = description["paths"][f"/api/v1/{path}"][method]
    assert [name for scheme in operation["security"] for name in scheme] == schemes
    if method == "post":
        assert operation["requestBody"]["required"]


def test_what_the_api_takes_and_gives_fits_its_description(description: dict[str, Any], furnished: Caller) -> None:
    def misfits(value: Any, schema: dict[str, Any]) -> list[str]:
        judge = jsonschema.Draft202012Validator(schema | {"components": description["components"]})
        return [error.message for error in judge.iter_errors(value)]

    for resource, body in IN_ORDER:
        operations = description["paths"][f"/api/v1/{resource}"]
        asked = operations["post"]["requestBody"]["content"]["application/json"]["schema"]
        assert misfits(body, asked) == []
        assert misfits(body | {"id": 7}, asked) != []  # the judge can say no
        listed = operations["get"]["responses"]["200"]["content"]["application/json"]["schema"]
        assert misfits(furnished.get(resource).json(), listed) == []
    assert misfits(furnished.post("venues", {}).json(), description["components"]["schemas"]["Problem"]) == []


def test_the_readable_page_loads_nothing_from_elsewhere(db: None) -> None:
    response = Caller().get("reference")
    assert response.status_code == 200
    page = response.content.decode()
    assert "https://" not in page.replace('"https://www.w3.org', "")
    assert "default-src 'self'" in response["Content-Security-Policy"]


def test_a_run_as_it_was(node: Caller, furnished: Caller, clock: HeldClock) -> None:
    work = Work.from_json(node.get("node/work").json())
    clock.at += timedelta(days=2)  # the node was cut off, and tells two days later
    node.post("node/reports", {"epoch": 1, "entries": [printed(work, seq) for seq in range(1, 4)]})
    second = work.segments[1].knots[-1].isoformat().replace("+00:00", "Z")

    def of(query: str) -> Any:
        return furnished.get(f"runs/spring/state?at={second}{query}").json()

    happened, known = of(""), of("&known_by=2026-03-20T18:00:00Z")
    columns = sum(segment.end_column - segment.first_column for segment in work.segments[:2])
    assert (happened["run"]["printed"], known["run"]["printed"]) == (columns, 0)
    assert [segment["state"] for segment in happened["segments"][:3]] == ["printed", "printed", "planned"]
    assert happened["run"] | {"printed": 0} == known["run"]
    assert furnished.get("runs/spring/state?at=2026-03-19T00:00:00Z").status_code == 404
    assert furnished.get("runs/unheard-of/state?at=2026-03-21T00:00:00Z").status_code == 404


@pytest.mark.parametrize(("query", "field"), [("", "at"), ("at=Tuesday", "at"), ("at=2026-03-20T18:00:00", "at")])
def test_when_a_run_was_so_must_be_an_instant(furnished: Caller, query: str, field: str) -> None:
    response = furnished.get(f"runs/spring/state?{query}")
    assert (response.status_code, response.json()["field"]) == (422, field)
