"""The pages of messages: who is told, looked at before it is kept; what was sent; and that somebody sees to it."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from machines.errors import InputError
from scheduling.log.beside_telling import keep_recipients
from scheduling.log.models import Matter, Message, Recipients, Venue
from server.accounts.message_secrets import hook_secret
from server.desk.hours_lines import ON_CALL, QUIET
from tests.server.desk.pages import kept, looked, shown, signed_in
from tests.server.every_page import one_of_what_is_told
from tests.server.studio import Caller, HeldClock

NIGHT: dict[str, Any] = {
    "id": "night", "role": "technician", "name": "Night desk", "email": "night@quay.example", "webhook": "",
    "secret_number": "1", "language": "pt", "zone": "Europe/Lisbon", "after_min": "20",
    "on_call": "daily 18:00-24:00\n2026-12-24", "quiet": "weekend 00:00-09:00", "venues": ["quay"],
}  # fmt: skip


def test_somebody_is_told_once_it_was_looked_at(furnished: Caller) -> None:
    person = signed_in()
    assert "under which address people reach this server" in shown(person, "/told")
    assert "Nobody is. Nothing is looked for until somebody is." in shown(person, "/told")
    page, body = looked(person, "/told/new", NIGHT)
    assert "Night desk is told of what is amiss from now on" in page and not Recipients.objects.exists()
    assert "no mail server" in page
    after = shown(person, "/told/new", body)
    assert "It is kept so" in after and "night@quay.example, when nobody sees to it for 20 min, in their hours" in after
    (one,) = furnished.get("recipients").json()["recipients"]
    assert one["on_call"]["week"]["sunday"] == [{"opens": "18:00", "closes": "24:00"}]
    assert one["on_call"]["dates"] == [{"date": "2026-12-24", "open": []}]
    assert one["quiet"]["week"]["saturday"] == [{"begins": "00:00", "ends": "09:00"}]


def test_it_is_changed_as_it_stands_and_taken_away(furnished: Caller) -> None:
    person = signed_in()
    kept(person, "/told/new", NIGHT)
    page = shown(person, "/told/night/change")
    assert "daily 18:00-24:00\n2026-12-24" in page and "saturday 00:00-09:00\nsunday 00:00-09:00" in page
    change = {name: value for name, value in NIGHT.items() if name != "id"} | {"after_min": "0"}
    kept(person, "/told/night/change", change)
    assert furnished.get("recipients").json()["recipients"][0]["after_min"] == 0
    page, body = looked(person, "/told/night/remove", {})
    assert "Nothing of them is kept" in page
    shown(person, "/told/night/remove", body)
    assert furnished.get("recipients").json() == {"recipients": []}
    assert person.get("/told/night/change").status_code == 404


def test_a_venue_that_was_retired_stays_ticked(furnished: Caller, clock: HeldClock) -> None:
    """Were it left out, somebody would be told of every venue."""
    person = signed_in()
    kept(person, "/told/new", NIGHT)
    Venue.objects.filter(id="quay").update(retired_at=clock.at)
    assert 'value="quay"' in shown(person, "/told/night/change")
    change = {name: value for name, value in NIGHT.items() if name != "id"} | {"after_min": "0"}
    kept(person, "/told/night/change", change)
    (one,) = furnished.get("recipients").json()["recipients"]
    assert (one["venues"], one["after_min"]) == (["quay"], 0)
    keep_recipients({"recipients": [one | {"venues": ["bygone"]}]})
    assert 'value="bygone"' in shown(person, "/told/night/change")


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"email": ""}, "one way is needed"),
        ({"email": "nobody"}, "is no e-mail address"),
        ({"zone": "Lisbon"}, "is no time zone"),
        ({"on_call": "always 10:00-12:00"}, "&#x27;always&#x27; is no day"),
        ({"on_call": "monday 10-12"}, "is no local time"),
        ({"quiet": "2026-13-01 10:00-12:00"}, "is no date"),
        ({"after_min": "1441"}, "less than or equal to 1440"),
    ],
)
def test_what_is_wrong_is_said_beside_it_and_what_was_typed_stays(
    furnished: Caller, wrong: dict[str, str], said: str
) -> None:
    page = shown(signed_in(), "/told/new", NIGHT | wrong)
    assert said in page and 'value="Night desk"' in page and not Recipients.objects.exists()


def test_a_secret_is_shown_to_the_studio(furnished: Caller) -> None:
    person = signed_in()
    kept(person, "/told/new", NIGHT | {"email": "", "webhook": "https://pager.example/hook"})
    assert hook_secret("night", 1) in shown(person, "/told/night/change")


def test_a_test_is_sent_by_a_press_alone(furnished: Caller) -> None:
    person = signed_in()
    kept(person, "/told/new", NIGHT)
    assert person.get("/told/night/test").status_code == 405
    assert "A test is being sent to night" in shown(person, "/told/night/test", {})
    assert Message.objects.get().what == "test"
    assert "night is being told a test by email" in shown(person, "/told")


def test_a_matter_is_seen_to_by_whoever_is_signed_in(furnished: Caller, clock: HeldClock) -> None:
    one_of_what_is_told(clock.at)
    assert Client().get("/told").status_code == 302
    person = signed_in("curator")
    page = shown(person, "/told")
    assert "The knife of Wren 1 at Quay House is not armed" in page and "Who is told" not in page
    assert "desk is being told of it by email" in page
    assert person.get("/told/matters/knife-1/see-to").status_code == 405
    after = shown(person, "/told/matters/knife-1/see-to", {})
    assert "curator sees to it since 2026-03-20 06:00 UTC" in after
    assert Matter.objects.get().acknowledged_by.startswith("user:")  # type: ignore[union-attr]  # somebody did


@pytest.mark.parametrize("page", ["/told/new", "/told/desk/change", "/told/desk/remove"])
def test_who_is_told_is_the_studios_to_say(furnished: Caller, clock: HeldClock, page: str) -> None:
    one_of_what_is_told(clock.at)
    assert signed_in("curator").get(page).status_code == 403


def test_hours_as_lines() -> None:
    said = ON_CALL.said("weekdays 09:00-12:00, 13:00 – 17:00\nsaturday 10:00-11:00\n\n2026-12-24")
    assert said is not None
    assert said["week"]["friday"] == [{"opens": "09:00", "closes": "12:00"}, {"opens": "13:00", "closes": "17:00"}]
    assert said["dates"] == [{"date": "2026-12-24", "open": []}]
    assert ON_CALL.said(ON_CALL.text(said)) == said
    assert QUIET.said(" \n") is None and QUIET.text(None) == ""
    assert QUIET.text(QUIET.said("daily 22:00-07:00")) == "daily 22:00-07:00"
    with pytest.raises(InputError, match="'always' is no day"):
        QUIET.said("always 22:00-07:00")
