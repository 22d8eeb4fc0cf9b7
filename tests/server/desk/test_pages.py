"""The pages of a kind of thing, with venues for an example: what is said, seen and then kept."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.test import Client

from scheduling.log.models import Event, Venue
from tests.server.desk.pages import hidden, kept, looked, shown, signed_in
from tests.server.studio import FAR_VENUE, VENUE, Caller

NEW: dict[str, Any] = {"name": "Säulen Hall", "latitude": "52.5", "longitude": "13.4", "zone": "Europe/Berlin"}
STANDS: dict[str, Any] = {
    "name": "Quay House",
    "latitude": "38.71",
    "longitude": "-9.14",
    "elevation": "12",
    "zone": "Europe/Lisbon",
}


@pytest.fixture
def person(studio: Caller) -> Client:
    studio.create("venues", VENUE)
    return signed_in()


def test_whoever_is_not_signed_in_is_asked_to(studio: Caller) -> None:
    studio.create("venues", VENUE)
    for path in ("/venues", "/venues/new", "/venues/quay", "/venues/quay/change", "/venues/quay/retire"):
        answer = Client().get(path)
        assert (answer.status_code, answer.headers["Location"]) == (302, f"/sign-in?next={path}")


def test_what_a_new_one_means_is_seen_before_it_is_there(person: Client) -> None:
    page, body = looked(person, "/venues/new", NEW)
    assert "Säulen Hall is added. It stands" in page and Venue.objects.count() == 1
    assert "Säulen Hall is added." in shown(person, "/venues/new", body)
    row = Venue.objects.get(pk="saulen-hall")
    assert (row.latitude_degrees, row.longitude_degrees, row.elevation_m) == (52.5, 13.4, 0.0)
    assert Event.objects.get(stream="venue/saulen-hall").actor == f"user:{User.objects.get().pk}"


def test_what_a_new_one_is_warned_of_can_be_meant(person: Client) -> None:
    page, body = looked(person, "/venues/new", NEW | {"longitude": "-103.4"})
    assert "hours from the Sun" in page
    assert "Säulen Hall is added." in shown(person, "/venues/new", body)


def test_an_id_that_is_taken_gets_a_number(person: Client) -> None:
    for expected in ("saulen-hall", "saulen-hall-2", "saulen-hall-3"):
        kept(person, "/venues/new", NEW)
        assert Venue.objects.filter(pk=expected).exists()


def test_an_id_of_ones_own_that_is_in_use_is_refused_beside_it(person: Client) -> None:
    page = shown(person, "/venues/new", NEW | {"id": "quay"})
    assert "This id is in use; choose another." in page and 'value="Säulen Hall"' in page


def test_what_is_wrong_stands_beside_its_field_and_what_was_typed_stays(person: Client) -> None:
    page = shown(person, "/venues/new", NEW | {"latitude": "91", "name": "a\u202eb"})
    assert 'id="id_latitude_error"' in page and 'value="91"' in page
    page = shown(person, "/venues/new", NEW | {"name": "a\u202eb"})
    assert 'id="id_name_error"' in page and "cannot stand in a name" in page and 'value="52.5"' in page


def test_where_no_clock_is_chosen_the_nearest_is_proposed_and_nothing_kept(person: Client) -> None:
    page = shown(person, "/venues/new", NEW | {"zone": ""})
    assert 'id="id_zone_error"' in page and "Europe/Berlin (2 km)" in page and "That means" not in page
    assert re.search(r'<option value="">choose one</option>\s*<option value="Europe/Berlin" selected>', page)
    assert not Venue.objects.filter(name=NEW["name"]).exists()
    page = shown(person, "/venues/new", NEW | {"zone": "", "latitude": ""})
    assert "say where it is first" in page


def test_a_warning_asks_for_a_yes(person: Client) -> None:
    page, body = looked(person, "/venues/quay/change", STANDS | {"zone": "Pacific/Auckland"})
    assert "Is that meant?" in page and "Yes, all of that is meant" in page
    assert Venue.objects.get(pk="quay").zone == "Europe/Lisbon"
    assert "Quay House is as you said." in shown(person, "/venues/quay/change", body)
    assert Venue.objects.get(pk="quay").zone == "Pacific/Auckland"


def test_what_differs_is_shown_with_what_it_was_and_told_in_the_history(person: Client) -> None:
    page, body = looked(person, "/venues/quay/change", STANDS | {"name": "Quay Hall", "reason": "it was renamed"})
    assert re.search(r"What it is called</th><td>Quay House</td><td>Quay Hall</td>", page)
    assert page.count('<tr><th scope="row"') == 1
    after = shown(person, "/venues/quay/change", body)
    assert "it was renamed" in after and "What it is called: Quay House → Quay Hall" in after and "by robin" in after


def test_nothing_is_kept_that_was_not_seen(person: Client) -> None:
    _, body = looked(person, "/venues/quay/change", STANDS | {"name": "Quay Hall"})
    page = shown(person, "/venues/quay/change", body | {"name": "Key Hall"})
    assert "You have said something else since you looked" in page and "<td>Key Hall</td>" in page
    assert Venue.objects.get(pk="quay").name == "Quay House"


def test_what_somebody_else_changed_meanwhile_is_said_and_what_was_typed_stays(person: Client) -> None:
    _, body = looked(person, "/venues/quay/change", STANDS | {"name": "Quay Hall"})
    kept(person, "/venues/quay/change", STANDS | {"name": "The Quay"})
    page = shown(person, "/venues/quay/change", body)
    assert "Somebody else changed it meanwhile (robin: What it is called)." in page
    assert 'value="Quay Hall"' in page
    assert "<td>The Quay</td><td>Quay Hall</td>" in page
    again = {**body, "tag": hidden(page, "tag"), "keep": hidden(page, "keep")}
    assert "Quay Hall is as you said." in shown(person, "/venues/quay/change", again)


def test_one_is_put_away_and_taken_back(person: Client) -> None:
    assert "Put away" in shown(person, "/venues/quay") and "Take back" not in shown(person, "/venues/quay")
    assert "is put away" in kept(person, "/venues/quay/retire", {"reason": "the lease is over"})
    assert "· put away" in shown(person, "/venues")
    assert "Change</a>" not in shown(person, "/venues/quay")
    assert "is used again" in kept(person, "/venues/quay/take-back", {})


def test_what_is_put_away_says_what_comes_first(person: Client) -> None:
    assert "It is used, and was not put away." in shown(person, "/venues/quay/take-back")
    kept(person, "/venues/quay/retire", {})
    page = shown(person, "/venues/quay/change")
    assert "It is put away. Take it back first." in page and 'href="/venues/quay/take-back">Take back</a>' in page
    assert "It is put away already." in shown(person, "/venues/quay/retire")
    assert person.post("/venues/quay/change", STANDS).status_code == 409


def test_what_is_so_already_is_said_and_cannot_be_kept(person: Client) -> None:
    page = shown(person, "/venues/quay/change", STANDS | {"tag": "*"})
    assert "It is so already" in page and 'name="keep"' not in page


def test_a_reader_looks_and_is_offered_nothing(person: Client, studio: Caller) -> None:
    studio.create("venues", FAR_VENUE)
    client = signed_in("reader")
    assert "Add one" not in shown(client, "/venues") and "Change" not in shown(client, "/venues/quay")
    for path in ("new", "quay/change", "quay/retire"):
        assert client.get(f"/venues/{path}").status_code == 403, path  # what is typed there would be lost
    assert client.post("/venues/new", NEW).status_code == 403
    assert client.post("/venues/quay/change", STANDS).status_code == 403


def test_what_is_not_there_is_a_page_that_says_so(person: Client) -> None:
    answer = person.get("/venues/nowhere")
    assert answer.status_code == 404 and b"Nothing is here" in answer.content
