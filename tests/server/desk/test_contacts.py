"""Whom to ring, on the pages: a form of the venue's, and its sheet."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.conf import LazySettings
from django.test import Client

from scheduling.log.models import Contacts
from server.accounts.models import PersonRole
from server.console.contact_words import dialled
from tests.server.api.test_contacts import BODY, ON_CALL
from tests.server.desk.pages import kept, looked, shown, signed_in
from tests.server.studio import FAR_VENUE, VENUE, Caller

PAGE = "/venues/quay/contacts"
FIRST: dict[str, Any] = {f"{name}_0": value for name, value in ON_CALL.items()}
EMPTY: dict[str, Any] = {f"{name}_1": "" for name in ON_CALL}


@pytest.fixture
def quay(studio: Caller) -> Caller:
    studio.create("venues", VENUE)
    return studio


def test_they_are_seen_before_they_are_kept_and_stand_on_venue_and_sheet(quay: Caller) -> None:
    person = signed_in()
    assert "Nobody is named" in shown(person, "/venues/quay")
    page, body = looked(person, PAGE, FIRST | EMPTY)
    assert "says from now on whom to ring" in page and not Contacts.objects.exists()
    assert "Technician on call, Night desk, +351 (0)21 555 01 42, desk@quay.example, at night" in page
    after = shown(person, PAGE, body)
    assert "The sheet of Quay House says so now." in after
    for one in (after, shown(Client(), "/venues/quay/today")):
        assert '<a class="number" href="tel:+351215550142">+351 (0)21 555 01 42</a>' in one
        assert 'href="mailto:desk@quay.example"' in one and "Night desk" in one and "at night" in one
    assert "the card beside the machine" not in shown(Client(), "/venues/quay/today")


def test_one_more_is_said_and_one_is_taken_away(quay: Caller) -> None:
    quay.put("venues/quay/contacts", BODY)
    person = signed_in()
    page = shown(person, PAGE)
    assert 'value="117"' in page and 'name="role_3"' in page and 'name="role_4"' not in page
    third = {"role_2": "house", "name_2": "Porter", "telephone_2": "12345"}
    away = FIRST | {"role_1": "away", "telephone_1": "117"} | third
    kept(person, PAGE, away)
    assert [one["name"] for one in quay.get("venues/quay/contacts").json()["contacts"]] == ["Night desk", "Porter"]


@pytest.mark.parametrize(
    ("moved", "order"),
    [
        ({0: 1}, "BACD"),
        ({1: 0}, "BACD"),
        ({3: 0}, "DABC"),
        ({0: 3}, "BCDA"),
        ({1: 0, 2: 1}, "BACD"),
        ({0: 1, 1: 0}, "BACD"),
        ({2: 0, 3: 0}, "CDAB"),
    ],
)
def test_one_is_moved_to_another_place_in_the_order_of_trying(quay: Caller, moved: dict[int, int], order: str) -> None:
    contacts = [{"role": "house", "name": name, "telephone": "117"} for name in "ABCD"]
    quay.put("venues/quay/contacts", {"contacts": contacts})
    person = signed_in()
    page = shown(person, PAGE)
    assert page.count('<option value="3" selected>as number 4</option>') == 1
    said = {
        f"{field}_{row}": value
        for row, one in enumerate(contacts)
        for field, value in (one | {"place": str(moved.get(row, row))}).items()
    }
    kept(person, PAGE, said)
    assert "".join(one["name"] for one in quay.get("venues/quay/contacts").json()["contacts"]) == order


def test_a_place_that_there_is_not_is_refused_beside_its_field(quay: Caller) -> None:
    page = shown(signed_in(), PAGE, FIRST | {"place_0": "7"})
    assert 'id="id_place_0_error"' in page and "That means" not in page


def test_what_is_wrong_stands_beside_its_field_whatever_rows_are_empty(quay: Caller) -> None:
    person = signed_in()
    page = shown(person, PAGE, EMPTY | {"role_0": ""} | {"role_1": "studio", "telephone_1": "ring the bell"})
    assert 'id="id_telephone_1_error"' in page and "is no number to dial" in page and 'value="ring the bell"' in page
    page = shown(person, PAGE, {"role_0": "", "name_0": "Night desk", "telephone_0": "117"})
    assert 'id="id_role_0_error"' in page and "Say what they are there for." in page and "That means" not in page
    page = shown(person, PAGE, {"role_0": "studio", "email_0": "somebody"})
    assert 'id="id_email_0_error"' in page


def test_more_rows_than_there_may_be_are_not_read(quay: Caller) -> None:
    page = shown(signed_in(), PAGE, {f"role_{row}": "" for row in range(40)})
    assert 'name="role_11"' in page and 'name="role_12"' not in page


def test_who_may_read_them_is_said_beside_the_form(quay: Caller, settings: LazySettings) -> None:
    person = signed_in()
    assert "whoever reaches this server can read them" in shown(person, PAGE)
    settings.OPEN_PAGES = False
    assert "Whoever signs in here or has a key can read them." in shown(person, PAGE)
    assert Client().get("/venues/quay/today").status_code == 302


def test_a_curator_says_it_of_their_own_venue_only(quay: Caller) -> None:
    quay.create("venues", FAR_VENUE)
    person = signed_in("curator")
    PersonRole.objects.update(venues=["shed"])
    assert person.get(PAGE).status_code == 403
    assert 'href="/venues/quay/contacts"' not in shown(person, "/venues/quay")
    assert 'href="/venues/shed/contacts"' in shown(person, "/venues/shed")
    assert signed_in("reader").get(PAGE).status_code == 403
    assert Client().get(PAGE).status_code == 302


def test_nothing_is_drawn_that_somebody_typed_as_a_page(quay: Caller) -> None:
    odd = ON_CALL | {"name": "<b>Desk</b>", "email": '"a?b&c"@quay.example'}
    assert quay.put("venues/quay/contacts", {"contacts": [odd]}).status_code == 200
    page = shown(Client(), "/venues/quay/today")
    assert "<b>Desk" not in page and "&lt;b&gt;Desk" in page
    assert re.search(r'href="mailto:%22a%3Fb%26c%22@quay\.example"', page)


@pytest.mark.parametrize(
    ("written", "number"),
    [
        ("+44 (0)20 7946 0018", "+442079460018"),
        ("(020) 7946 0018", "02079460018"),
        ("+1 709 555-0142 ext. 7", "+17095550142"),
        ("5550142x12", "5550142"),
        ("112", "112"),
    ],
)
def test_a_number_is_dialled_without_what_parts_it(written: str, number: str) -> None:
    assert dialled(written) == number
