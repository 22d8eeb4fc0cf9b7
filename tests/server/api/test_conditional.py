"""What is replaced as a whole is replaced by whoever saw it as it stands; and conditions are answered as problems."""

from __future__ import annotations

import json
from typing import Any

import pytest

from scheduling.log.models import Event, Machine
from server.api.conditional import Replaced, tag_of
from tests.server.api.test_bad_input import problem
from tests.server.api.test_hours import HOURS
from tests.server.studio import Caller

MEASURED = {"feed_factor": 0.995}
REPLACED = [("venues/quay/hours", HOURS, "hours-set"), ("machines/wren-1/calibration", MEASURED, "machine-calibrated")]


def put(caller: Caller, path: str, body: Any, tag: str | None) -> Any:
    """As it is, without looking first; hours are meant, though an opening of the studio's is outside them."""
    match = {} if tag is None else {"HTTP_IF_MATCH": tag}
    meant = "?accept=true" if path.endswith("/hours") else ""
    return caller.other("PUT", path + meant, data=json.dumps(body), content_type="application/json", **match)


@pytest.mark.parametrize(("path", "body", "kind"), REPLACED)
def test_it_is_replaced_by_whoever_names_what_stands_there(furnished: Caller, path: str, body: Any, kind: str) -> None:
    before = furnished.get(path)
    assert before.json() is None and before["ETag"].startswith('"')
    after = put(furnished, path, body, before["ETag"])
    assert after.status_code == 200, after.content
    stands = furnished.get(path)
    assert stands["ETag"] == after["ETag"] != before["ETag"]
    assert stands.json() is not None and Event.objects.filter(kind=kind).count() == 1
    assert furnished.get(path, HTTP_IF_NONE_MATCH=stands["ETag"]).status_code == 304


def test_the_tag_is_of_what_the_answer_shows_also_where_another_replaces_it_meanwhile(
    furnished: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    shown, path = Replaced.shown, "machines/wren-1/calibration"

    def after_another(self: Replaced, *given: Any) -> Any:
        Machine.objects.update(calibration=None)
        return shown(self, *given)

    monkeypatch.setattr(Replaced, "shown", after_another)
    answer = put(furnished, path, MEASURED, "*")
    assert answer.json()["calibration"] is not None
    assert answer["ETag"] == tag_of(answer.json()["calibration"]) != furnished.get(path)["ETag"]


@pytest.mark.parametrize(("path", "body", "kind"), REPLACED)
def test_who_saw_it_before_somebody_else_changed_it_is_told_so(
    furnished: Caller, path: str, body: Any, kind: str
) -> None:
    seen = furnished.get(path)["ETag"]
    now = put(furnished, path, body, seen)["ETag"]
    for tag in (seen, f"W/{now}", '"none"', "none"):
        told = put(furnished, path, body, tag)
        said = problem(told, 412)
        assert (said["type"], said["tag"], told["ETag"]) == ("/api/v1/problems/moved-on", now, now)
    assert Event.objects.filter(kind=kind).count() == 1
    assert put(furnished, path, {}, f'"none", {now}').status_code in (200, 422)


@pytest.mark.parametrize(("path", "body", "kind"), REPLACED)
def test_who_names_nothing_replaces_nothing(furnished: Caller, path: str, body: Any, kind: str) -> None:
    said = problem(put(furnished, path, body, None), 428)
    assert said["type"] == "/api/v1/problems/if-match-needed"
    assert furnished.get(path)["ETag"] in said["detail"]
    assert not Event.objects.filter(kind=kind).exists()
    assert put(furnished, path, body, "*").status_code == 200


@pytest.mark.parametrize("path", ["node/work", "venues/quay/calendar.ics", "schema"])
def test_a_condition_that_fails_is_a_problem_everywhere(node: Caller, path: str) -> None:
    tag = node.get(path)["ETag"]
    assert node.get(path, HTTP_IF_MATCH=tag).status_code == 200
    assert problem(node.get(path, HTTP_IF_MATCH='"none"'), 412)["tag"] == tag


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PROPFIND"])
def test_a_method_that_there_is_not_is_said_whatever_is_asked(furnished: Caller, method: str) -> None:
    told = furnished.other(method, "venues/quay?nothing=1&nothing=2")
    assert problem(told, 405) and told["Allow"] == "GET, PATCH, HEAD"


def test_the_description_names_both_answers_where_one_may_look_first(db: None) -> None:
    paths = json.loads(Caller().get("schema").content)["paths"]
    answers = paths["/api/v1/venues"]["post"]["responses"]
    shown = answers["200"]["content"]["application/json"]["schema"]
    assert shown == {"$ref": "#/components/schemas/Preview"}
    assert {"200", "201"} <= set(answers)
    assert "200" not in paths["/api/v1/service-windows"]["post"]["responses"]


def answer_of(description: Any, one: tuple[str, Any]) -> tuple[str, Any]:
    """A status and its answer, which many calls may have in common."""
    status, answer = one
    name = answer.get("$ref", "").rpartition("/")[2]
    return status, description["components"]["responses"][name] if name else answer


def test_the_description_names_conditions_and_heads(db: None) -> None:
    description = json.loads(Caller().get("schema").content)
    paths = description["paths"]
    for path in ("/api/v1/venues/{id}/hours", "/api/v1/machines/{id}/calibration"):
        heads = {one["name"]: one.get("required") for one in paths[path]["put"]["parameters"] if one["in"] == "header"}
        assert heads["If-Match"] is True
    for operations in paths.values():
        for operation in operations.values():
            answers = [answer_of(description, one) for one in operation["responses"].items()]
            assert all("X-Request-Id" in answer["headers"] for _, answer in answers)
            assert {status for status, answer in answers if "Retry-After" in answer["headers"]} >= {"429", "503"}
            assert "default" not in operation["responses"]
