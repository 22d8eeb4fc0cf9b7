"""Whom to ring about a venue's machines: said as everything else is, but kept so that it can be taken away for good."""

from __future__ import annotations

import io
import json
from typing import Any

import pytest

from scheduling.log.integrity.transfer import export_log
from scheduling.log.models import Contacts, Event, Remark, Venue
from tests.server.api.test_bad_input import problem
from tests.server.studio import BEGINS, VENUE, Caller

ON_CALL = {
    "role": "technician",
    "name": "Night desk",
    "telephone": "+351 (0)21 555 01 42",
    "email": "desk@quay.example",
    "when": "at night",
}
STUDIO = {"role": "studio", "telephone": "117"}
BODY: dict[str, Any] = {"contacts": [ON_CALL, STUDIO]}
SHOWN = {"contacts": [ON_CALL, STUDIO | {"name": "", "email": "", "when": ""}]}


@pytest.fixture
def quay(studio: Caller) -> Caller:
    studio.create("venues", VENUE)
    return studio


def test_they_are_said_and_stand_in_their_order(quay: Caller) -> None:
    assert quay.get("venues/quay/contacts").json() is None
    assert quay.get("venues/quay").json()["contacts_set_at"] is None
    answer = quay.put("venues/quay/contacts", BODY | {"reason": "the desk has another number"})
    assert answer.status_code == 200, answer.content
    assert quay.get("venues/quay/contacts").json() == SHOWN
    assert answer["ETag"] == quay.get("venues/quay/contacts")["ETag"]
    assert answer.json()["contacts_set_at"] is not None
    (_, step) = quay.get("venues/quay/history").json()["steps"]
    assert (step["kind"], step["reason"]) == ("contacts-set", "the desk has another number")
    assert [one["field"] for one in step["fields"]] == ["contacts_set_at"]


def test_what_follows_is_told_first_and_nothing_is_written(quay: Caller) -> None:
    found = quay.put("venues/quay/contacts?preview=true", BODY).json()
    assert [(one["field"], one["before"], one["after"]) for one in found["fields"]] == [
        ("contacts", None, SHOWN["contacts"])
    ]
    assert found["in_words"] == [
        "The sheet of Quay House says from now on whom to ring; what is printed already does not change."
    ]
    assert not Contacts.objects.exists() and Event.objects.filter(stream="venue/quay").count() == 1
    quay.put("venues/quay/contacts", BODY)
    found = quay.put("venues/quay/contacts?preview=true", {"contacts": []}).json()
    assert found["in_words"] == [
        "The sheet of Quay House names nobody to ring from now on.",
        "What stood there before is not kept.",
    ]


def test_nothing_is_replaced_that_was_not_seen(quay: Caller) -> None:
    tag = quay.get("venues/quay/contacts")["ETag"]
    assert quay.put("venues/quay/contacts", BODY, HTTP_IF_MATCH="").status_code == 428
    assert quay.put("venues/quay/contacts", BODY, HTTP_IF_MATCH=tag).status_code == 200
    told = problem(quay.put("venues/quay/contacts", {"contacts": []}, HTTP_IF_MATCH=tag), 412)
    assert told["type"] == "/api/v1/problems/moved-on"
    assert quay.get("venues/quay/contacts").json() == SHOWN


def test_the_same_again_writes_nothing(quay: Caller) -> None:
    quay.put("venues/quay/contacts", {"contacts": []})
    quay.put("venues/quay/contacts", BODY)
    quay.put("venues/quay/contacts", BODY)
    assert Event.objects.filter(kind="contacts-set").count() == 1


def test_the_log_holds_no_word_of_them_and_taken_away_they_are_gone(quay: Caller) -> None:
    quay.put("venues/quay/contacts", BODY)
    quay.put("venues/quay/contacts", {"contacts": [STUDIO]})
    quay.put("venues/quay/contacts", {"contacts": []})
    export_log(out := io.StringIO(), made_at=BEGINS, key=None)
    said = out.getvalue()
    assert "contacts-set" in said
    for word in (
        "Night desk",
        "telephone",
        "+351",
        "desk@quay.example",
        '"117"',
    ):  # none that an id could hold by chance
        assert word not in said
    assert [row.said for row in Contacts.objects.all()] == [{"contacts": []}] and not Remark.objects.exists()


def test_of_a_venue_that_was_put_away_they_can_be_taken_away(quay: Caller) -> None:
    quay.put("venues/quay/contacts", BODY)
    assert quay.post("venues/quay/retire", {}, HTTP_IF_MATCH="*").status_code == 200
    assert Venue.objects.get().retired_at is not None
    assert quay.put("venues/quay/contacts", {"contacts": []}).status_code == 200
    assert quay.get("venues/quay/contacts").json() == {"contacts": []}


def test_there_is_no_past_of_them(quay: Caller) -> None:
    assert quay.get("venues/quay/contacts?at=2026-03-20T06:00:00Z").status_code == 422


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"role": "plumber"}, "contacts[0].role"),
        ({"telephone": "", "email": ""}, "contacts[0].telephone"),
        ({"telephone": "ring the bell"}, "contacts[0].telephone"),
        ({"telephone": "+"}, "contacts[0].telephone"),
        ({"telephone": "12"}, "contacts[0].telephone"),
        ({"telephone": "1" * 41}, "contacts[0].telephone"),
        ({"telephone": "+351 21;postd=117"}, "contacts[0].telephone"),
        ({"email": "desk at quay"}, "contacts[0].email"),
        ({"email": "desk@quay.example\nBcc: all@quay.example"}, "contacts[0].email"),
        ({"name": "x" * 101}, "contacts[0].name"),
        ({"name": "Night\ndesk"}, "contacts[0].name"),
        ({"name": "\u202eksed"}, "contacts[0].name"),
        ({"when": "x" * 121}, "contacts[0].when"),
    ],
)
def test_what_cannot_be_rung_is_refused_at_its_place(quay: Caller, change: dict[str, str], field: str) -> None:
    told = problem(quay.put("venues/quay/contacts", {"contacts": [ON_CALL | change]}), 422)
    assert told["field"] == field
    assert not Contacts.objects.exists()


@pytest.mark.parametrize(
    "number", ["112", "+1 709 555 0142", "(0351) 21-555.01/42", "+44 20 7946 0018 ext 7", "5550142x12"]
)
def test_numbers_are_taken_as_people_write_them(quay: Caller, number: str) -> None:
    assert quay.put("venues/quay/contacts", {"contacts": [ON_CALL | {"telephone": number}]}).status_code == 200


def test_there_are_not_too_many(quay: Caller) -> None:
    assert quay.put("venues/quay/contacts", {"contacts": [ON_CALL] * 12}).status_code == 200
    told = problem(quay.put("venues/quay/contacts", {"contacts": [ON_CALL] * 13}), 422)
    assert "give at most 12" in json.dumps(told)
