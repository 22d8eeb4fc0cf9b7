"""What holds of every page, whichever it is: asked of all that the urlconf knows, so that none is forgotten."""

from __future__ import annotations

import re

import pytest
from django.test import Client

from server.accounts.models import Key, PersonRole
from server.accounts.people import make_person
from server.accounts.principals import Grant
from tests.server.desk.pages import signed_in
from tests.server.every_page import every_page, one_of_everything
from tests.server.forms_on import Form, forms_on
from tests.server.studio import Caller, HeldClock

# Nobody can mean it, whatever is asked for, and it would break out of an attribute that is not quoted.
NONSENSE = 'neither "this" <nor> that'


# Nothing is there where nobody's account is closed.
NOTHING_THERE = {"reopen-person"}


@pytest.fixture
def person(furnished: Caller, clock: HeldClock) -> Client:
    """Somebody of the studio, of which there is one of everything; its machine has printed, and was paused."""
    one_of_everything(furnished, clock)
    make_person("kim", "lanterns over the weir", Grant("curator"))
    return signed_in()


def pages(person: Client) -> list[str]:
    """The addresses of all of them; of people and keys, those that there are."""
    prefix = Key.objects.values_list("prefix", flat=True)[0]
    named = {"number": str(PersonRole.objects.get().pk), "prefix": prefix}
    return [one.path for one in every_page(named) if one.name not in NOTHING_THERE]


def test_every_page_opens_says_how_old_it_is_and_leads_on(person: Client) -> None:
    wanting, opened = [], 0
    for path in pages(person):
        answer = person.get(path)
        page = answer.content.decode()
        if answer.status_code != 200:
            wanting.append(f"{path} answers {answer.status_code}")
            continue
        opened += 1
        for what, pattern in {
            "one heading": r"<h1",
            "a way on": r"(?s)<main.*<(a |button)|id=\"wall",
            "its age": r'id="(asof|read-at)"|As it was at',
        }.items():
            if not re.search(pattern, page):
                wanting.append(f"{path} has not {what}")
    assert wanting == [] and opened > 60


def test_every_form_keeps_what_was_typed_after_an_error(person: Client) -> None:
    lost, sent = [], 0
    for path in pages(person):
        answer = person.get(path)
        for form in forms_on(answer.content.decode()):
            if form.typed:
                sent += 1
                lost += _lost(person, path, form)
    assert lost == [] and sent > 30


def _lost(person: Client, path: str, form: Form) -> list[str]:
    """What a form did not show again."""
    typed = {name: f"{NONSENSE} {number}" for number, name in enumerate(form.typed)}
    answer = person.post(form.action or path, form.said | typed)
    if answer.status_code == 302:
        return []  # it was taken: a reason may be anything
    if answer.status_code not in (200, 422):
        return [f"{path}: {answer.status_code}"]
    again = {name: value for shown in forms_on(answer.content.decode()) for name, value in shown.said.items()}
    return [f"{path}: {name}: {again.get(name)!r}" for name, text in typed.items() if again.get(name) != text]


def test_an_error_leads_on_and_says_what_to_do(person: Client) -> None:
    for path, status, said in (
        ("/nowhere", 404, "Look for it on a page above."),
        ("/venues/nowhere/today", 404, "Look for it on a page above."),
        ("/machines/wren-1/plates/0.png", 404, "Look for it on a page above."),
    ):
        answer = person.get(path)
        page = answer.content.decode()
        assert (answer.status_code, said in page, "<nav" in page, 'href="/season"' in page) == (status, *[True] * 3)
    refused = Client(enforce_csrf_checks=True).post("/sign-in", {"username": "robin", "password": "x"})
    assert refused.status_code == 403 and b"Go back, load the page again, then send it." in refused.content
    assert b"<nav" in refused.content


def test_an_error_is_told_in_the_readers_language(client: Client) -> None:
    answer = client.get("/nowhere", HTTP_ACCEPT_LANGUAGE="pt")
    assert (answer.status_code, answer["Content-Language"]) == (404, "pt")
    assert '<html lang="pt">' in answer.content.decode() and "Aqui não há nada" in answer.content.decode()
    assert "Nothing is here" in client.get("/nowhere").content.decode()
    told = client.get("/api/v1/nowhere", HTTP_ACCEPT_LANGUAGE="pt")
    assert told.status_code == 404 and "não" not in told.content.decode(), "a program is told in one language"


def test_what_one_thing_is_refused_for_is_said_in_no_other_language(furnished: Caller) -> None:
    """It is told in English alone; to others the error says what it says of all."""
    reader = signed_in("reader")
    told = reader.get("/openings/new", HTTP_ACCEPT_LANGUAGE="pt").content.decode()
    assert "A sua função não inclui isto" in told
    assert "A sua função" not in reader.get("/openings/new").content.decode()
