"""What is common to all that can be changed: conditions, previews, history, the same again, and who may."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import pytest
from django.http import HttpResponse

from scheduling.log.models import Event
from scheduling.log.rebuilding.rebuild import rebuild
from server.accounts.principals import Grant
from server.api.resources import RESOURCES
from tests.server.api.test_bad_input import problem
from tests.server.keys import new_key
from tests.server.studio import FAR_VENUE, MACHINE, SERIES, SERVICE_WINDOW, Caller, HeldClock


@dataclass(frozen=True)
class Case:
    """A resource of the furnished studio.

    Attributes:
        patch: what changes it.
        fields: that differ then.
        act, back: what ends it, and what takes that back.
        curators: whether a curator of its venue may.
        wrong: what cannot be, and the field that is named then.
    """

    path: str
    patch: dict[str, Any]
    fields: tuple[str, ...]
    act: str
    curators: bool = False
    wrong: tuple[Any, str] = ({"name": ""}, "name")
    back: str = "take-back"


CASES = [
    Case("openings/first-night", {"name": "Late night"}, ("name",), "call-off", curators=True),
    Case("opening-series/sundays", {"name": "Late Sunday"}, ("name",), "call-off", curators=True),
    Case(
        "service-windows/rounds",
        {"name": "Morning rounds", "comes": {"begins": "09:00"}},
        ("name", "comes"),
        "call-off",
        curators=True,
    ),
    Case("venues/shed", {"name": "The Shed", "elevation_m": 3.5}, ("name", "elevation_m"), "retire"),
    Case("machines/wren-2", {"name": "Wren 2", "venue": "shed"}, ("name", "venue"), "retire"),
    Case("sources/land", {"name": "The land"}, ("name",), "retire"),
    Case(
        "profiles/wren",
        {"profile": {"name": "Wren of old"}},
        ("profile",),
        "retire",
        wrong=({"profile": {"columns_per_turn": 0}}, "profile.columns_per_turn"),
    ),
]
EACH = pytest.mark.parametrize("case", CASES, ids=lambda case: case.path)


@pytest.fixture
def caller(furnished: Caller) -> Caller:
    """One of everything, and of some two."""
    furnished.create("venues", FAR_VENUE)
    furnished.create("service-windows", SERVICE_WINDOW)
    furnished.create("machines", MACHINE | {"id": "wren-2"})
    furnished.create("opening-series", SERIES)
    return furnished


def patch(caller: Caller, path: str, body: Any, query: str = "", **headers: str) -> HttpResponse:
    match = {"HTTP_IF_MATCH": caller.get(path).headers["ETag"]} | headers
    return caller.other("PATCH", path + query, data=json.dumps(body), content_type="application/json", **match)


def act(caller: Caller, path: str, name: str, body: Any = None, query: str = "", **headers: str) -> HttpResponse:
    match = {"HTTP_IF_MATCH": caller.get(path).headers["ETag"]} | headers
    return caller.post(f"{path}/{name}{query}", body or {}, **match)


def steps(caller: Caller, path: str) -> Any:
    return caller.get(f"{path}/history").json()["steps"]


def test_every_resource_that_can_be_changed_is_tried() -> None:
    changeable = {one.plural for one in RESOURCES if one.changeable is not None and one.changeable.change is not None}
    of_their_own = {"runs"}  # tried beside this, as they are withdrawn and not called off
    assert {case.path.partition("/")[0] for case in CASES} == changeable - of_their_own


@EACH
def test_it_is_changed_on_condition_and_tells_its_story(caller: Caller, case: Case, clock: HeldClock) -> None:
    before, seen = caller.get(case.path).json(), caller.get(case.path).headers["ETag"]
    clock.at += timedelta(hours=1)
    answer = patch(caller, case.path, case.patch | {"reason": "it was wrong"})
    assert answer.status_code == 200, answer.content
    assert answer.json() == caller.get(case.path).json() != before
    assert answer.headers["ETag"] == caller.get(case.path).headers["ETag"] != seen
    again = caller.get(case.path, HTTP_IF_NONE_MATCH=answer.headers["ETag"])
    # A cache takes over what 304 says of it: with no-store it would have to forget what it holds.
    assert (again.status_code, again["Cache-Control"]) == (304, caller.get(case.path)["Cache-Control"])
    assert caller.get(f"{case.path}?at=2026-03-20T06:30:00Z").json() == before
    first, last = steps(caller, case.path)[0], steps(caller, case.path)[-1]
    assert (first["version"], tuple(one["field"] for one in last["fields"])) == (1, case.fields)
    assert (last["reason"], last["said_at"]) == ("it was wrong", "2026-03-20T07:00:00.000000Z")
    late = problem(patch(caller, case.path, case.patch, HTTP_IF_MATCH=seen), 412)
    assert [tuple(one["field"] for one in step["fields"]) for step in late["changes"]] == [case.fields]


@EACH
def test_a_preview_writes_nothing_and_says_what_would_be(caller: Caller, case: Case) -> None:
    before, events = caller.get(case.path).content, Event.objects.count()
    shown = patch(caller, case.path, case.patch, "?preview=true").json()
    assert (tuple(one["field"] for one in shown["fields"]), shown["warnings"]) == (case.fields, [])
    assert shown["in_words"] and all(said.endswith(".") for said in shown["in_words"])
    ended = act(caller, case.path, case.act, query="?preview=true").json()
    assert ended["fields"] and ended["in_words"]
    nothing = patch(caller, case.path, {}, "?preview=true").json()
    assert nothing == {"fields": [], "in_words": [], "warnings": [], "figures": None}
    assert (caller.get(case.path).content, Event.objects.count()) == (before, events)


def test_an_opening_is_said_to_be_called_off_in_a_sentence(caller: Caller) -> None:
    opens = "2026-03-21 19:00, by the clock of Europe/Lisbon"
    shown = act(caller, "openings/first-night", "call-off", query="?preview=true").json()
    assert shown["in_words"][0] == f"First night is called off: {opens}."


@EACH
def test_without_a_condition_nothing_is_changed(caller: Caller, case: Case) -> None:
    bare = caller.other("PATCH", case.path, data=json.dumps(case.patch), content_type="application/json")
    assert problem(bare, 428)["type"] == "/api/v1/problems/if-match-needed"
    assert problem(caller.post(f"{case.path}/{case.back}", {}), 428)["type"] == "/api/v1/problems/if-match-needed"


@EACH
def test_what_cannot_be_is_refused_by_name_and_nothing_is_written(caller: Caller, case: Case) -> None:
    events = Event.objects.count()
    for body, field in (
        ({"id": "other"}, "id"),
        ({"colour": "red"}, "colour"),
        case.wrong,
        ({"reason": "x" * 501}, "reason"),
        ([], ""),
    ):
        assert problem(patch(caller, case.path, body), 422)["field"] == field
    assert Event.objects.count() == events


@EACH
def test_an_order_whose_answer_was_lost_is_done_once(caller: Caller, case: Case) -> None:
    known = {"HTTP_IF_MATCH": caller.get(case.path).headers["ETag"], "HTTP_IDEMPOTENCY_KEY": "mine"}
    answers = [patch(caller, case.path, case.patch, **known).status_code for _ in range(2)]
    assert (answers, len(steps(caller, case.path))) == ([200, 200], 2)


@EACH
def test_ended_it_stays_marked_and_is_taken_back_as_it_was(caller: Caller, case: Case) -> None:
    before = caller.get(case.path).json()
    assert act(caller, case.path, case.back).status_code == 200  # while it stands, nothing is written
    ended = act(caller, case.path, case.act, {"reason": "the roof"}).json()
    marks = {name for name in ended if ended[name] != before[name]}
    assert marks and marks <= {"called_off_at", "called_off_because", "retired_at"}
    assert act(caller, case.path, case.act).json() == ended
    assert problem(patch(caller, case.path, case.patch), 422)["remedy"] == "take that back first"
    resource, _, id = case.path.partition("/")
    assert id in [one["id"] for one in caller.get(resource).json()["results"]]
    meant = "?accept=true"  # of a series: on some of its dates nothing is printed
    assert act(caller, case.path, case.back, query=meant).json() == before
    assert [step["reason"] for step in steps(caller, case.path)] == [None, "the roof", None]


@EACH
def test_folded_again_it_is_the_same(caller: Caller, case: Case) -> None:
    patch(caller, case.path, case.patch)
    act(caller, case.path, case.act, {"reason": "the roof"})
    before = caller.get(case.path).json()
    rebuild()
    assert caller.get(case.path).json() == before


@EACH
def test_who_may(caller: Caller, case: Case) -> None:
    curator, elsewhere = (Caller(new_key(where, Grant("curator", (where,)))) for where in ("quay", "shed"))
    for other in (elsewhere, Caller(new_key("reader", Grant("reader")))):
        assert problem(patch(other, case.path, case.patch), 403)["type"] == "/api/v1/problems/role-needed"
        assert act(other, case.path, case.act).status_code == 403
    assert patch(curator, case.path, case.patch).status_code == (200 if case.curators else 403)
    assert act(curator, case.path, case.act).status_code == (200 if case.curators else 403)
