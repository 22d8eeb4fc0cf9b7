"""Bad input at every door of the API: problem details that name the field, and nothing written."""

from __future__ import annotations

import json
from http import HTTPStatus
from typing import Any

import pytest
from django.http import HttpResponse
from django.test import Client
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scheduling.log.models import Event
from server.api.problem_kinds import PROBLEM_KINDS
from tests.server.keys import events
from tests.server.studio import (
    IN_ORDER,
    MACHINE,
    OPENING,
    PROFILE,
    RUN,
    SERVICE_WINDOW,
    SOURCE,
    VENUE,
    Caller,
    changed,
)


def problem(response: HttpResponse, status: int) -> dict[str, Any]:
    """The problem in an answer, which must have the form of RFC 9457 section 3.1."""
    assert response.status_code == status, response.content
    assert response["Content-Type"] == "application/problem+json"
    body: dict[str, Any] = json.loads(response.content)
    assert body["status"] == status
    assert all(isinstance(body[name], str) and body[name] for name in ("type", "title", "detail", "instance"))
    assert body["instance"] == f"urn:uuid:{response['X-Request-Id']}"
    assert "Traceback" not in response.content.decode()
    return body


PERIODIC = RUN | {"cycle": "period", "cycle_options": {"seconds": 86_400, "epoch": "2026-01-01T00:00:00Z"}}
VISIT = SERVICE_WINDOW | {"comes": {"kind": "once", "anchor": OPENING["anchor"], "minutes": 45}}
BAD_BODIES = [
    ("venues", VENUE, "id", "Quay House", "id"),
    ("venues", VENUE, "id", "", "id"),
    ("venues", VENUE, "id", "-quay", "id"),
    ("venues", VENUE, "id", 7, "id"),
    ("venues", VENUE, "id", ..., "id"),
    ("venues", VENUE, "name", "  ", "name"),
    ("venues", VENUE, "latitude_degrees", 91.0, "latitude_degrees"),
    ("venues", VENUE, "latitude_degrees", "38.7", "latitude_degrees"),
    ("venues", VENUE, "latitude_degrees", None, "latitude_degrees"),
    ("venues", VENUE, "latitude_degrees", True, "latitude_degrees"),
    ("venues", VENUE, "longitude_degrees", -181.0, "longitude_degrees"),
    ("venues", VENUE, "elevation_m", 1e9, "elevation_m"),
    ("venues", VENUE, "zone", "Lisbon", "zone"),
    ("venues", VENUE, "zone", "../../etc/passwd", "zone"),
    ("venues", VENUE, "zone", "", "zone"),
    ("venues", VENUE, "colour", "blue", "colour"),
    ("profiles", PROFILE, "profile", "wren", "profile"),
    ("profiles", PROFILE, "profile.columns_per_turn", 1, "profile.columns_per_turn"),
    ("profiles", PROFILE, "profile.columns_per_turn", 360.0, "profile.columns_per_turn"),
    ("profiles", PROFILE, "profile.mm_per_turn", 0, "profile.mm_per_turn"),
    ("profiles", PROFILE, "profile.mm_per_turn", ..., "profile.mm_per_turn"),
    ("profiles", PROFILE, "profile.print_width_mm", 51.0, "profile.print_width_mm"),
    ("profiles", PROFILE, "profile.travel", "up", "profile.travel"),
    ("profiles", PROFILE, "profile.head.supply_current_a", 0.01, "profile.head.supply_current_a"),
    ("profiles", PROFILE, "profile.head.kind", "laser", "profile.head"),
    ("profiles", PROFILE, "profile.knife.cuts_per_blade", 0, "profile.knife.cuts_per_blade"),
    ("machines", MACHINE, "venue", "nowhere", "venue"),
    ("machines", MACHINE, "profile", "nothing", "profile"),
    ("sources", SOURCE, "picture", {}, "picture"),
    ("sources", SOURCE, "picture.kind", "portrait", "picture"),
    ("sources", SOURCE, "picture.projection", "globe", "picture.projection"),
    ("runs", RUN, "machine", "nobody", "machine"),
    ("runs", RUN, "source", "nothing", "source"),
    ("runs", RUN, "cycle", "fortnight", "cycle"),
    ("runs", RUN, "cycle_options", {"seconds": 60}, "cycle_options"),
    ("runs", RUN, "starts_at", "2026-03-20T12:00:00", "starts_at"),
    ("runs", RUN, "starts_at", "20 March", "starts_at"),
    ("runs", RUN, "ends_at", "2026-03-20T12:00:00Z", "ends_at"),
    ("runs", RUN, "ends_at", "2026-03-20T11:00:00Z", "ends_at"),
    ("runs", RUN, "segments_per_turn", 0, "segments_per_turn"),
    ("runs", RUN, "segments_per_turn", 361, "segments_per_turn"),
    ("runs", RUN, "strips_per_turn", 361, "strips_per_turn"),
    ("runs", RUN, "strips_per_turn", -1, "strips_per_turn"),
    ("runs", RUN, "policy.kind", "hope", "policy.kind"),
    ("openings", OPENING, "venue", "nowhere", "venue"),
    ("openings", OPENING, "anchor", {}, "anchor"),
    ("openings", OPENING, "anchor.civil", "2026-13-01T00:00", "anchor.civil"),
    ("openings", OPENING, "anchor.civil", "2026-03-21T19:00Z", "anchor.civil"),
    ("openings", OPENING, "anchor.zone", "Moon/Tycho", "anchor.zone"),
    ("openings", OPENING, "anchor", {"event": "tea", "date": "2026-03-21"}, "anchor.event"),
    ("openings", OPENING, "anchor", {"event": "sunset", "date": "2095-03-21"}, "anchor"),
    ("openings", OPENING, "anchor", {"event": "sunset", "date": "2026-03-21", "offset": "40 minutes"}, "anchor.offset"),
    ("openings", OPENING, "anchor.civil", "2026-03-29T01:30", "anchor.civil"),
    ("service-windows", SERVICE_WINDOW, "venue", "nowhere", "venue"),
    ("service-windows", SERVICE_WINDOW, "name", "", "name"),
    ("service-windows", SERVICE_WINDOW, "comes", {}, "comes.kind"),
    ("service-windows", SERVICE_WINDOW, "comes.kind", "daily", "comes.kind"),
    ("service-windows", SERVICE_WINDOW, "comes.weekday", "funday", "comes.weekday"),
    ("service-windows", SERVICE_WINDOW, "comes.begins", "10 am", "comes.begins"),
    ("service-windows", SERVICE_WINDOW, "comes.ends", "10:00", "comes.ends"),
    ("service-windows", SERVICE_WINDOW, "comes.last_date", "tomorrow", "comes.last_date"),
    ("service-windows", SERVICE_WINDOW, "comes.minutes", 30, "comes.minutes"),
    ("service-windows", VISIT, "comes.minutes", 0, "comes.minutes"),
    ("service-windows", VISIT, "comes.minutes", 10081, "comes.minutes"),
    ("service-windows", VISIT, "comes.anchor", {}, "comes.anchor"),
    ("service-windows", VISIT, "comes.anchor.civil", "2026-03-29T01:30", "comes.anchor.civil"),
    ("service-windows", VISIT, "comes.anchor", {"event": "tea", "date": "2026-03-21"}, "comes.anchor.event"),
    ("runs", RUN, "ends_at", "9999-12-31T23:59:59Z", ""),
    ("runs", RUN | {"cycle": "lunar-day"}, "starts_at", "1700-01-01T00:00:00Z", "starts_at"),
    ("runs", RUN, "nozzle_seed", -(2**53), "nozzle_seed"),
    ("runs", RUN, "starts_at", "20260320T120000Z", "starts_at"),
    ("runs", RUN, "starts_at", "2026-06-30T23:59:60Z", "starts_at"),
    ("runs", RUN, "starts_at", "0001-01-01T00:00:00+23:59", "starts_at"),
    ("runs", RUN, "cycle_options", [], "cycle_options"),
    ("runs", PERIODIC, "cycle_options.seconds", 1e-300, "cycle_options.seconds"),
    ("runs", PERIODIC, "cycle_options.seconds", True, "cycle_options.seconds"),
    ("runs", PERIODIC, "cycle_options.epoch", "9999-12-31T23:59:59-23:59", "cycle_options.epoch"),
    ("openings", OPENING, "anchor", "noon", "anchor"),
    (
        "openings",
        OPENING,
        "anchor",
        {"event": "sunset", "date": "2026-03-21", "offset": "P999999999D"},
        "anchor.offset",
    ),
    ("sources", SOURCE, "curve", {"asked": 1, "printed": [0, 1]}, "curve.asked"),
]


@pytest.mark.parametrize(("resource", "good", "path", "value", "field"), BAD_BODIES)
def test_a_bad_field_is_named_and_nothing_is_written(
    studio: Caller, resource: str, good: dict[str, Any], path: str, value: Any, field: str
) -> None:
    for earlier, body in IN_ORDER:
        if earlier == resource:
            break
        studio.create(earlier, body)
    written = Event.objects.count()
    told = problem(studio.post(resource, changed(good, path, value)), HTTPStatus.UNPROCESSABLE_ENTITY)
    assert told["type"] == "/api/v1/problems/bad-input"
    assert told["field"].startswith(field)
    assert told["problem"] and told["remedy"]
    assert Event.objects.count() == written
    studio.create(resource, good)  # the door itself is open


def test_an_id_is_taken_once(studio: Caller) -> None:
    studio.create("venues", VENUE)
    told = problem(studio.post("venues", VENUE | {"name": "Another"}), HTTPStatus.CONFLICT)
    assert (told["type"], told["field"]) == ("/api/v1/problems/taken", "id")
    assert events().count() == 1


@pytest.mark.parametrize("path", ["venues", "venues/quay", "uploads", "reference", "schema", "problems/taken"])
def test_what_can_be_done_is_said_by_the_schema_and_not_by_options(studio: Caller, path: str) -> None:
    answer = studio.other("OPTIONS", path)
    assert problem(answer, HTTPStatus.METHOD_NOT_ALLOWED)["type"] == "about:blank"
    assert answer["Allow"]


def test_allow_names_what_is_allowed(furnished: Caller) -> None:
    assert furnished.other("DELETE", "venues")["Allow"] == "GET, POST, HEAD"
    assert furnished.other("DELETE", "venues/quay")["Allow"] == "GET, PATCH, HEAD"
    assert furnished.other("DELETE", "uploads")["Allow"] == "POST"


@pytest.mark.parametrize("path", ["/api/v1", "/api/v2/venues", "/api/"])
def test_an_address_of_no_api_is_a_problem_too(db: None, path: str) -> None:
    assert problem(Client().get(path), HTTPStatus.NOT_FOUND)["type"] == "about:blank"


@pytest.mark.parametrize("method", ["PUT", "PATCH", "DELETE"])
@pytest.mark.parametrize("path", ["venues", "plates/" + "0" * 64 + ".png", "events", "outages", "node/work"])
def test_a_method_that_a_resource_does_not_have(studio: Caller, method: str, path: str) -> None:
    response = studio.other(method, path)
    if path == "node/work":
        assert problem(response, HTTPStatus.FORBIDDEN)["type"] == "about:blank"
    else:
        assert problem(response, HTTPStatus.METHOD_NOT_ALLOWED)["type"] == "about:blank"
        assert "GET" in response["Allow"]


@pytest.mark.parametrize(
    "path", ["", "venue", "venues/", "venues/nowhere", "venues/No%00where", "plates/abc.png", "%ff"]
)
def test_an_address_where_nothing_is(studio: Caller, path: str) -> None:
    assert problem(studio.get(path), HTTPStatus.NOT_FOUND)["type"] == "about:blank"


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ("limit=0", "limit"),
        ("limit=1001", "limit"),
        ("limit=many", "limit"),
        ("limit=%D9%A3", "limit"),
        ("cursor=xyz", "cursor"),
        ("cursor=bnVsbA", "cursor"),
        ("cursor=Ilx1MDAwMCI", "cursor"),
        ("cursor=IlwiIg", "cursor"),
        ("kind=party", "kind"),
        ("stream=machine", "stream"),
        ("stream=machine/%00", "stream"),
        ("steam=machine/wren-1", "steam"),
        ("limit=1&limit=2", "limit"),
        ("kind=venue-added&kind=venue-added", "kind"),
    ],
)
def test_a_bad_query_is_named(studio: Caller, query: str, field: str) -> None:
    assert problem(studio.get(f"events?{query}"), HTTPStatus.UNPROCESSABLE_ENTITY)["field"] == field


@pytest.mark.parametrize("at", ["0001-01-01T00:00:00%2B23:59", "9999-12-31T23:59:59-23:59", "2016-12-31T23:59:60Z"])
@pytest.mark.parametrize("path", ["runs/spring/state", "machines/wren-1", "sources/land/thumbnail.png"])
def test_an_instant_that_is_none_is_named_wherever_it_is_asked(furnished: Caller, path: str, at: str) -> None:
    assert problem(furnished.get(f"{path}?at={at}"), HTTPStatus.UNPROCESSABLE_ENTITY)["field"] == "at"


def test_a_mistake_of_ours_shows_its_number_and_nothing_else(
    studio: Caller, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fail(*_: object) -> None:
        raise ZeroDivisionError("the password is hunter2")

    monkeypatch.setattr("server.api.base_views.carry_out", fail)
    response = studio.post("venues", VENUE)
    told = problem(response, HTTPStatus.INTERNAL_SERVER_ERROR)
    assert "hunter2" not in response.content.decode()
    assert told["instance"].removeprefix("urn:uuid:") in caplog.text
    assert "hunter2" in caplog.text


def test_each_type_of_problem_explains_itself() -> None:
    for kind in PROBLEM_KINDS.values():
        answer = Caller().get(kind.type.removeprefix("/api/v1/"))
        assert answer.status_code == 200
        assert answer.json()["title"] == kind.title
    assert problem(Caller().get("problems/unheard-of"), HTTPStatus.NOT_FOUND)["type"] == "about:blank"


JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=5,
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_whatever_stands_in_a_field_the_answer_is_a_problem_or_a_creation(studio: Caller, data: st.DataObject) -> None:
    resource, good = data.draw(st.sampled_from(IN_ORDER))
    name = data.draw(st.sampled_from(sorted(good)))
    response = studio.post(resource, good | {name: data.draw(JSON_VALUES)})
    if response.status_code != HTTPStatus.CREATED:
        assert response.status_code in (HTTPStatus.UNPROCESSABLE_ENTITY, HTTPStatus.CONFLICT), response.content
        told = problem(response, response.status_code)
        assert told["type"] in ("/api/v1/problems/bad-input", "/api/v1/problems/taken")
