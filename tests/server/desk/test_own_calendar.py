"""A person's own calendar on its page: where it is, what it reminds of, and another address, in their language."""

from __future__ import annotations

import html
import re
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.test import Client

from scheduling.log.models import Event
from server.accounts import access
from server.accounts.at_terminal import at_the_terminal
from server.accounts.models import CalendarAddress, PersonCalendar
from server.accounts.people import make_person
from server.accounts.principals import Grant
from server.desk.calendar_form import before_in_words
from tests.server.desk.pages import hidden, kept, looked, shown, signed_in
from tests.server.studio import FAR_VENUE, OPENING, VENUE, Caller

PAGE = "/calendar"


@pytest.fixture
def two(studio: Caller) -> Caller:
    for venue in (VENUE, FAR_VENUE):
        studio.create("venues", venue)
    studio.create("openings", OPENING)
    return studio


def somebody(name: str, standing: Grant) -> Client:
    make_person(name, "lanterns over the weir", standing)
    client = Client()
    client.force_login(User.objects.get(username=name))
    return client


def renewed(client: Client, path: str) -> str:
    """The page after another address was made, as it was seen to be."""
    page = shown(client, path)
    return shown(client, path, {"accept": hidden(page, "accept")})


def addresses(page: str) -> list[str]:
    return [html.unescape(one) for one in re.findall(r"<code>(http[^<]*)</code>", page)]


def fetch(address: str) -> int:
    return Client().get(address.removeprefix("http://testserver")).status_code


def test_it_is_for_who_is_signed_in(two: Caller) -> None:
    for path in (PAGE, f"{PAGE}/address", f"{PAGE}/studio/address", "/venues/quay/calendar/address"):
        answer = Client().get(path)
        assert (answer.status_code, answer["Location"]) == (302, f"/sign-in?next={path}")


def test_an_address_is_made_copied_and_made_another(two: Caller) -> None:
    client = somebody("kim", Grant("curator", ("shed",)))
    assert "It has no address yet." in shown(client, PAGE) and not CalendarAddress.objects.exists()
    before = shown(client, f"{PAGE}/address")
    assert "Whoever has that reads the calendar" in before and not CalendarAddress.objects.exists()
    page = renewed(client, f"{PAGE}/address")
    assert "The calendar has an address now. Give it to each program" in page
    assert "The address of before stops working for everybody who has it." in page
    assert "phases of the Moon, equinoxes and solstices" in page
    first = addresses(page)[0]
    assert first.startswith("http://testserver/api/v1/people/") and fetch(first) == 200
    looked_at = shown(client, f"{PAGE}/address")
    assert "At the address until now nothing is any more" in looked_at and "Yes, change the address" in looked_at
    assert "secret=" not in looked_at
    page = renewed(client, f"{PAGE}/address")
    assert "The calendar has another address. Give it to each program" in page
    second = addresses(page)[0]
    assert second != first and (fetch(first), fetch(second)) == (404, 200)
    said = Event.objects.filter(kind="calendar-address-changed")
    number = User.objects.get(username="kim").pk
    assert [(one.stream, one.actor) for one in said] == [(f"calendar/user-{number}", f"user:{number}")] * 2


def test_what_was_not_seen_is_shown_first(two: Caller) -> None:
    """Somebody else made a first address meanwhile, who would be shut out by another."""
    client = somebody("kim", Grant("reader"))
    first = shown(client, f"{PAGE}/address")
    number = User.objects.get().pk
    assert two.post(f"people/{number}/calendar/address", {}).status_code == 200
    page = shown(client, f"{PAGE}/address", {"accept": hidden(first, "accept")})
    assert "At the address until now nothing is any more" in page
    assert CalendarAddress.objects.get().number == 1


def test_reminders_are_seen_and_kept(two: Caller) -> None:
    client = somebody("kim", Grant("reader"))
    body = {"opening_0": "1440", "opening_1": "60", "service_0": "0"}
    page, _ = looked(client, PAGE, body)
    assert "Some programs keep no alarms" in page and not PersonCalendar.objects.exists()
    page = kept(client, PAGE, body)
    assert "It is kept so." in page
    assert PersonCalendar.objects.get().said == {
        "venues": [],
        "alarms": [
            {"kind": "opening", "before_min": 1440},
            {"kind": "opening", "before_min": 60},
            {"kind": "service", "before_min": 0},
        ],
    }
    assert re.search(r'name="opening_0"[^>]*>.*?<option value="1440" selected>1 day before', page, re.DOTALL)
    assert "It is so already" in shown(client, PAGE, body | {"tag": hidden(page, "tag")})
    assert "It reminds of nothing any more." in looked(client, PAGE, {})[0]


def test_a_reminder_that_the_form_does_not_offer_stays(two: Caller) -> None:
    client = somebody("kim", Grant("reader"))
    number = User.objects.get().pk
    two.put(f"people/{number}/calendar", {"alarms": [{"kind": "run", "before_min": 77}]})
    page = shown(client, PAGE)
    assert re.search(r'<option value="77" selected>77 minutes before', page)
    kept(client, PAGE, {"run_0": "77", "run_1": "15"})
    assert [one["before_min"] for one in PersonCalendar.objects.get().said["alarms"]] == [77, 15]


def test_what_cannot_be_chosen_is_refused_beside_its_field(two: Caller) -> None:
    client = somebody("kim", Grant("curator", ("shed",)))
    page = shown(client, PAGE, {"opening_0": "soon", "venues": ["quay"], "tag": "*"})
    assert page.count('class="wrong"') == 2
    assert not PersonCalendar.objects.exists()


def test_said_otherwise_since_it_was_seen_it_is_shown_again(two: Caller) -> None:
    client = somebody("kim", Grant("reader"))
    _, body = looked(client, PAGE, {"opening_0": "60"})
    page = shown(client, PAGE, body | {"opening_0": "30"})
    assert "You have said something else since you looked" in page and not PersonCalendar.objects.exists()


def test_a_choice_of_venues_outlives_what_is_taken_from_them(two: Caller) -> None:
    client = somebody("kim", Grant("curator", ("quay", "shed")))
    kept(client, PAGE, {"venues": ["shed"]})
    access.give_role("kim", Grant("curator", ("quay",)), at_the_terminal())
    page = shown(client, PAGE)
    assert re.search(r'value="shed"[^>]* checked', page), "else every one of theirs would stand in it"
    kept(client, PAGE, {"venues": ["shed"], "opening_0": "60"})
    assert PersonCalendar.objects.get().said["venues"] == ["shed"]


def test_the_studio_has_the_calendar_of_all_venues_and_others_have_not(two: Caller) -> None:
    client = signed_in()
    page = renewed(client, f"{PAGE}/studio/address")
    (studio,) = [one for one in addresses(page) if "/studio/" in one]
    assert fetch(studio) == 200
    other = somebody("kim", Grant("curator"))
    assert "The calendar of all venues" not in shown(other, PAGE)
    assert other.get(f"{PAGE}/studio/address").status_code == 403


def test_whoever_keeps_the_accounts_changes_somebodys_and_is_not_shown_it(two: Caller) -> None:
    kim = somebody("kim", Grant("reader"))
    first = addresses(renewed(kim, f"{PAGE}/address"))[0]
    number = User.objects.get(username="kim").pk
    path = f"/people/{number}/calendar/address"
    robin = signed_in()
    assert f'href="{path}"' in shown(robin, "/people")
    page = renewed(robin, path)
    assert "The calendar of kim has a new address. They alone are shown it" in page and "secret=" not in page
    assert "Give it to each program" not in page
    assert fetch(first) == 404 and fetch(addresses(shown(kim, PAGE))[0]) == 200
    assert kim.get(f"/people/{User.objects.get(username='robin').pk}/calendar/address").status_code == 403


def test_venues_addresses_are_changed_where_pages_are_closed(two: Caller, settings: Any) -> None:
    client = somebody("kim", Grant("curator", ("shed",)))
    page = shown(client, PAGE)
    assert "/api/v1/venues/shed/calendar.ics</code>" in page and "/venues/quay/calendar" not in page
    assert "/venues/shed/calendar/address" not in page, "it has no secret"
    settings.OPEN_PAGES = False
    before, after = (
        next(one for one in addresses(page) if "/venues/shed/" in one)
        for page in (shown(client, PAGE), renewed(client, "/venues/shed/calendar/address"))
    )
    assert (fetch(before), fetch(after)) == (404, 200)
    assert client.get("/venues/quay/calendar/address").status_code == 403
    assert client.get("/venues/nowhere/calendar/address").status_code == 404


def test_it_is_said_in_portuguese(two: Caller) -> None:
    client = somebody("kim", Grant("reader"))
    client.get("/today", HTTP_ACCEPT_LANGUAGE="pt")
    answer = client.get(PAGE, HTTP_ACCEPT_LANGUAGE="pt").content.decode()
    assert '<html lang="pt">' in answer and "O seu calendário" in answer and "sem lembrete" in answer
    asked = client.get(f"{PAGE}/address", HTTP_ACCEPT_LANGUAGE="pt").content.decode()
    assert "lê o calendário, sem conta" in asked


def test_how_long_before_is_said_in_the_largest_whole_unit() -> None:
    said = {
        0: "as it begins",
        1: "1 minute before",
        90: "90 minutes before",
        60: "1 hour before",
        2880: "2 days before",
        10_080: "1 week before",
        40_320: "4 weeks before",
    }
    assert {minutes: before_in_words(minutes) for minutes in said} == said
