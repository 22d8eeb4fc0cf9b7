"""The API's description as a page: every call and every form of it, in words, with nothing but what this server has."""

from __future__ import annotations

import json
import re

from django.test import Client

from server.api.about import description
from server.api.reference import plain, reference
from tests.server.studio import Caller


def test_every_call_and_every_form_is_on_the_page(db: None) -> None:
    said = json.loads(description())
    answer = Caller().get("reference")
    page = answer.content.decode()
    assert answer.status_code == 200
    calls = [(method.upper(), path) for path, methods in said["paths"].items() for method in methods]
    shown = re.findall(r"<summary><code>(\w+) ([^<]+)</code> <span>([^<]+)</span>", page)
    assert sorted((method, path) for method, path, _ in shown) == sorted(calls)
    forms = re.findall(r'id="form-(\w+)"', page)
    assert forms == sorted(said["components"]["schemas"])
    assert set(re.findall(r'href="#([\w-]+)"', page)) <= set(re.findall(r'id="([\w-]+)"', page)), "a link to nothing"


def test_fields_have_kinds_and_what_is_said_of_them(db: None) -> None:
    read = reference(description())
    (plan,) = (call for call in read.calls["runs"] if (call.method, call.path) == ("POST", "/api/v1/runs"))
    assert [part.form for part in plan.bodies[0].form.kind] == ["PlanRun"] and '"segments_per_turn": 48' in plan.bodies[
        0
    ].example
    (form,) = (one for one in read.forms if one.name == "PlanRun")
    fields = {field.name: field for field in form.fields}
    assert fields["starts_at"].is_required and fields["starts_at"].kind[0].text == "instant"
    assert fields["strips_per_turn"].said == "how many strips a turn is cut into; 0 to wind it up."
    assert [part.text for part in fields["nozzle_seed"].kind] == ["whole number", " or ", "null"]
    assert fields["policy"].kind[0].form == "Policy"
    (change,) = (call for call in read.calls["openings"] if call.method == "PATCH")
    assert {field.name for field in change.asked_with} >= {"If-Match", "Idempotency-Key", "preview"}
    assert plain("a ``field``  of\n `it`") == "a field of it"


def test_it_is_a_page_like_the_others(db: None) -> None:
    answer = Client().get("/api/v1/reference")
    assert b"<nav" in answer.content and b"As it was at" in answer.content
    assert "unsafe-inline" not in answer["Content-Security-Policy"]
    assert b"<script>" not in answer.content and b"https://" not in answer.content
