"""An opening's own page, and where what speaks against it is told; what does is tested beside `scheduling.answers`."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from django.test import Client, override_settings

from scheduling.log.models import Notice, Opening
from server import jobs
from tests.server.studio import FAR_VENUE, MACHINE, OPENING, Caller, HeldClock

pytestmark = pytest.mark.usefixtures("furnished")


def page(client: Client, path: str, **query: str) -> str:
    answer = client.get(path, query)
    assert answer.status_code == 200
    return re.sub(r"\s+", " ", answer.content.decode())


def fix(studio: Caller, civil: str, **more: object) -> None:
    anchor = {"civil": civil, "zone": "Europe/Lisbon"}
    studio.create("openings", {"id": "evening", "venue": "quay", "name": "An evening", "anchor": anchor} | more)


def test_it_says_when_by_three_clocks_and_what_will_hang(client: Client, furnished: Caller) -> None:
    fix(furnished, "2026-03-21T19:00", closing={"duration": "PT2H"})
    text = page(client, "/openings/evening", zone="Asia/Tokyo")
    assert "<h1>An evening</h1>" in text
    for said in ("There, Europe/Lisbon", "Everywhere, UTC", "By your clock, Asia/Tokyo"):
        assert said in text
    assert "04:00 on Sun 22 Mar 2026" in text and "06:00 on Sun 22 Mar 2026" in text, "Tokyo is nine hours ahead (IANA)"
    assert "What will hang at Wren 1" in text and text.count('<line class="due"') == 1
    assert "/machines/wren-1/paper/at?at=2026-03-21T19:00&amp;which=earlier" in text
    assert "Move or rename it" not in text, "that is for who is signed in"


def test_its_link_asks_about_the_instant_itself(client: Client, furnished: Caller) -> None:
    """In Lisbon clocks go back on 25 October 2026 at 2:00 (IANA): the later 1:30 is 1:30 UTC."""
    anchor = {"civil": "2026-10-25T01:30:20", "zone": "Europe/Lisbon", "which": "later"}
    furnished.create("openings", {"id": "night", "venue": "quay", "name": "A night", "anchor": anchor})
    text = page(client, "/openings/night")
    link = re.search(r'href="(/machines/wren-1/paper/at[?][^"]*)"', text)
    assert link is not None and link[1].endswith("?at=2026-10-25T01:30:20&amp;which=later")
    there = page(client, link[1].replace("&amp;", "&"))
    assert "2026-10-25 01:30 in UTC" in there and 'value="2026-10-25T01:30:20"' in there


def test_of_what_is_not_there_nothing_is_said_to_be_well(
    client: Client, admin_client: Client, furnished: Caller
) -> None:
    said = "Nothing is known that speaks against it."
    furnished.create("venues", FAR_VENUE)
    furnished.create("openings", OPENING | {"venue": "shed", "id": "nobody"})
    text = page(client, "/openings/nobody")
    assert "No machine stands there." in text and said not in text
    furnished.create("machines", MACHINE | {"venue": "shed", "id": "new", "name": "New"})
    text = page(client, "/openings/nobody")
    assert "No run is planned at New yet." in text and said not in text
    form = {"id": "next", "name": "Next", "venue": "shed", "by": "clock", "civil": "2026-04-21T19:00", "zone": ""}
    text = re.sub(r"\s+", " ", admin_client.post("/openings/new", form).content.decode())
    assert "<p>No run is planned at New yet.</p>" in text and "Is that meant?" not in text


def test_nothing_known_against_it_and_what_is(client: Client, furnished: Caller) -> None:
    fix(furnished, "2026-03-21T19:00")
    assert "Nothing is known that speaks against it." in page(client, "/openings/evening")
    Opening.objects.filter(id="evening").delete()
    anchor = {"civil": "2026-04-21T19:00", "zone": "Europe/Lisbon"}
    furnished.create("openings", {"id": "later", "venue": "quay", "name": "Later", "anchor": anchor})
    text = page(client, "/openings/later")
    assert "Wren 1 is on no run then." in text and "Nothing is known that speaks against it." not in text


def test_who_may_change_it_is_led_there(admin_client: Client, furnished: Caller) -> None:
    fix(furnished, "2026-03-21T19:00")
    text = page(admin_client, "/openings/evening")
    assert "/openings/evening/change" in text and "/openings/evening/call-off" in text
    furnished.post("openings/evening/call-off", {}, HTTP_IF_MATCH="*")
    Opening.objects.filter(id="evening").update(called_off_at="2026-03-20T06:00:00Z")
    text = page(admin_client, "/openings/evening")
    assert "It is called off." in text and "/openings/evening/take-back" in text and "What will hang" not in text


def test_pages_lead_to_it(client: Client, furnished: Caller) -> None:
    fix(furnished, "2026-03-21T19:00")
    for path in ("/", "/openings", "/season?from=2026-03&months=1"):
        assert 'href="/openings/evening"' in client.get(path).content.decode(), path


@override_settings(OPEN_PAGES=False)
def test_where_pages_are_closed_it_is_for_those_who_are_signed_in(client: Client, furnished: Caller) -> None:
    fix(furnished, "2026-03-21T19:00")
    answer = client.get("/openings/evening")
    assert answer.status_code == 302 and answer["Location"].startswith("/sign-in")


def test_what_speaks_against_one_that_comes_soon_is_told_everywhere(
    client: Client, admin_client: Client, furnished: Caller, clock: HeldClock
) -> None:
    fix(furnished, "2026-03-25T19:00")
    assert jobs.doubt() == 1
    assert jobs.doubt() == 0
    (notice,) = Notice.objects.filter(kind="opening-doubted")
    told = [one for one in furnished.get("notices").json()["results"] if one["kind"] == notice.kind]
    assert [(one["opening"], one["cleared_at"]) for one in told] == [("evening", None)]
    assert notice.said in page(client, "/")
    assert "is on no run then." in page(admin_client, "/venues/quay/today")
    clock.at += timedelta(days=8)
    assert jobs.doubt() == 1
    assert notice.said not in page(client, "/")


def test_it_is_told_before_it_is_fixed(furnished: Caller, admin_client: Client) -> None:
    anchor = {"civil": "2026-04-21T19:00", "zone": "Europe/Lisbon"}
    body = {"id": "later", "venue": "quay", "name": "Later", "anchor": anchor}
    told = furnished.post("openings?preview=true", body).json()
    assert [one["kind"] for one in told["warnings"]] == ["no-run"]
    assert not Opening.objects.filter(id="later").exists()
    form = {"id": "later", "name": "Later", "venue": "quay", "by": "clock", "civil": "2026-04-21T19:00", "zone": ""}
    text = re.sub(r"\s+", " ", admin_client.post("/openings/new", form).content.decode())
    assert "Wren 1 is on no run then. Is that meant?" in text and "Fix this opening" in text
