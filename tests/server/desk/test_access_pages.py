"""People and keys on the pages, for the studio alone."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from scheduling.log.models import Event
from server import wiring
from server.accounts.models import Key, PersonRole
from server.accounts.people import standing_of
from server.accounts.principals import Grant
from tests.server.desk.pages import shown, signed_in
from tests.server.studio import FAR_VENUE, OPENING, VENUE, Caller

OWN, THEIRS = "a password for the tests", "lanterns over the weir"
KIM = {"name": "kim", "role": "curator", "venues": ["quay"], "password": THEIRS, "again": THEIRS, "own": OWN}


@pytest.fixture
def person(studio: Caller, settings: Any) -> Client:
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]  # quick: hashing is tested elsewhere
    for venue in (VENUE, FAR_VENUE):
        studio.create("venues", venue)
    client = signed_in()
    robin = User.objects.get(username="robin")
    robin.set_password(OWN)
    robin.save()
    client.force_login(robin)
    return client


def test_an_account_is_given_and_opens_the_pages(person: Client) -> None:
    page = shown(person, "/people/new", KIM)
    assert "kim may sign in." in page and "a curator of Quay House" in page and THEIRS not in page
    kim = User.objects.get(username="kim")
    assert standing_of(kim) == Grant("curator", ("quay",))
    assert Client().login(username="kim", password=THEIRS)
    made = Event.objects.get(stream=f"user/{kim.pk}")
    assert made.kind == "account-made" and made.actor == f"user:{User.objects.get(username='robin').pk}"


@pytest.mark.parametrize(
    ("otherwise", "field", "said"),
    [
        ({"again": "another"}, "again", "These were not the same"),
        ({"password": "short", "again": "short"}, "password", "too easily guessed"),
        ({"name": "robin"}, "name", "has an account already"),
        ({"name": ""}, "name", "required"),
        ({"own": "a guess"}, "own", "This is not your password."),
        ({"own": ""}, "own", "required"),
    ],
)
def test_what_is_wrong_stands_beside_its_field_and_nobody_is_let_in(
    person: Client, otherwise: dict[str, str], field: str, said: str
) -> None:
    page = shown(person, "/people/new", KIM | otherwise)
    assert f'id="id_{field}_error"' in page and said in page
    assert User.objects.count() == 1
    assert THEIRS not in page and OWN not in page


def test_nobody_guesses_at_a_browser_that_was_left_alone(person: Client) -> None:
    for _ in range(10):
        shown(person, "/people/new", KIM | {"own": "a guess"})
    answer = person.post("/people/new", KIM)
    assert answer.status_code == 429 and User.objects.count() == 1


def test_venues_are_kept_for_a_curator_alone(person: Client) -> None:
    shown(person, "/people/new", KIM | {"role": "studio"})
    assert standing_of(User.objects.get(username="kim")) == Grant("studio")


def test_a_role_is_changed_with_its_venues(person: Client) -> None:
    shown(person, "/people/new", KIM)
    kim = User.objects.get(username="kim")
    page = shown(person, f"/people/{kim.pk}/role")
    assert re.search(r'value="quay"[^>]* checked', page) and not re.search(r'value="shed"[^>]* checked', page)
    page = shown(person, f"/people/{kim.pk}/role", {"role": "curator", "venues": ["quay", "shed"], "own": OWN})
    assert "a curator of Quay House, The Boat Shed" in page
    assert PersonRole.objects.get(person=kim).venues == ["quay", "shed"]


def test_an_account_is_closed_and_opened_again(person: Client) -> None:
    shown(person, "/people/new", KIM)
    kim = User.objects.get(username="kim")
    theirs = Client()
    theirs.force_login(kim)
    assert "signed out wherever" in shown(person, f"/people/{kim.pk}/close")
    assert "kim signs in no more." in shown(person, f"/people/{kim.pk}/close", {"yes": ""})
    assert theirs.get("/venues").status_code == 302
    assert person.post(f"/people/{kim.pk}/close", {"yes": ""}).status_code == 404  # it is closed
    assert Event.objects.filter(stream=f"user/{kim.pk}", kind="account-closed").count() == 1
    page = shown(person, "/people")
    assert "a curator of Quay House, closed" in page and "Reopen" in page
    assert "This is not your password." in shown(person, f"/people/{kim.pk}/reopen", {"own": "a guess"})
    assert "kim may sign in again." in shown(person, f"/people/{kim.pk}/reopen", {"own": OWN})
    assert person.post(f"/people/{kim.pk}/reopen", {"own": OWN}).status_code == 404


def test_nobody_shuts_themselves_out_and_no_superuser_gets_a_role(person: Client) -> None:
    robin = User.objects.get(username="robin")
    other = User.objects.create_superuser("other")
    assert "you" in shown(person, "/people") and f"/people/{robin.pk}/" not in shown(person, "/people")
    for path in (f"{robin.pk}/close", f"{robin.pk}/role", f"{other.pk}/role", "4711/close"):
        assert person.post(f"/people/{path}", {"role": "reader", "own": OWN}).status_code == 404
    assert User.objects.filter(is_active=True).count() == 2


def test_a_key_is_made_with_an_end_shown_once_and_revoked(person: Client) -> None:
    said = {"name": "calendar", "role": "curator", "venues": ["quay"], "days": "90", "own": OWN}
    page = shown(person, "/keys/new", said)
    found = re.search(r"Bearer (\S+?)<", page)
    assert found is not None
    assert Caller(found[1]).post("openings", OPENING).status_code == 201
    row = Key.objects.get(name="calendar")
    assert row.ends_at == wiring.now() + timedelta(days=90)
    page = shown(person, "/keys")
    assert found[1] not in page and "a curator of Quay House, good until 2026-06-18 06:00 UTC" in page
    assert "by robin" in page
    assert "cannot be taken back" in shown(person, f"/keys/{row.prefix}/revoke")
    page = shown(person, f"/keys/{row.prefix}/revoke", {"yes": ""})
    assert "The key of calendar opens nothing any more." in page and "revoked 2026-03-20" in page
    assert Caller(found[1]).get("venues").status_code == 401
    assert person.get(f"/keys/{row.prefix}/revoke").status_code == 404


def test_a_second_key_of_a_name_is_refused_beside_it(person: Client) -> None:
    page = shown(person, "/keys/new", {"name": "tests", "role": "reader", "own": OWN})
    assert 'id="id_name_error"' in page and "has a key already" in page


@pytest.mark.parametrize("role", ["curator", "reader"])
def test_only_the_studio_sees_who_may_come_in(person: Client, role: str) -> None:
    client, kim = signed_in(role), User.objects.create_user("kim")
    assert "/people" not in shown(client, "/venues")
    key = Key.objects.get(name="tests")
    paths = ["/people", "/people/new", "/keys", "/keys/new", f"/keys/{key.prefix}/revoke"]
    for path in (*paths, *(f"/people/{kim.pk}/{act}" for act in ("role", "close", "reopen"))):
        assert client.get(path).status_code == 403, path
        assert client.post(path, KIM).status_code == 403, path
        assert Client().get(path).status_code == 302, path
    assert "/people" in shown(person, "/venues")


@pytest.mark.parametrize("path", ["/people", "/keys"])
def test_a_list_asks_as_often_for_many_as_for_one(person: Client, path: str) -> None:
    def asked() -> int:
        with CaptureQueriesContext(connection) as queries:
            shown(person, path)
        return len(queries)

    def give(number: int) -> None:
        shown(person, "/people/new", KIM | {"name": f"kim-{number}"})
        shown(person, "/keys/new", {"name": f"key-{number}", "role": "curator", "venues": ["shed"], "own": OWN})

    give(1)
    asked()  # with which the session begins
    of_one = asked()
    for number in range(2, 7):
        give(number)
    assert asked() == of_one
