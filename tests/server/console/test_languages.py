"""The pages for staff and visitors in another language: which is spoken, how it is chosen, and that no English is left
over."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import timedelta
from html import unescape

import pytest
from django.test import Client

from scheduling.log.models import Machine
from server import jobs
from tests.left_over import left_over
from tests.server.api.test_hours import HOURS
from tests.server.api.test_node_calls import work_of
from tests.server.console.test_panel_place import CALLED, tell
from tests.server.desk.pages import signed_in
from tests.server.studio import SERVICE_WINDOW, Caller, HeldClock, printed

PORTUGUESE = {"HTTP_ACCEPT_LANGUAGE": "pt-PT,pt;q=0.9,en;q=0.5"}


def portuguese(path: str, client: Client | None = None) -> str:
    answer = (client or Client()).get(path, **PORTUGUESE)  # type: ignore[arg-type]  # headers
    assert answer.status_code == 200 and answer["Content-Language"] == "pt"
    return answer.content.decode()


def silent(furnished: Caller, node: Caller, clock: HeldClock) -> None:
    work_of(node)
    clock.at += timedelta(hours=9)
    jobs.watch()


def printing(furnished: Caller, node: Caller, clock: HeldClock) -> None:
    work = work_of(node)
    clock.at += timedelta(hours=9)
    laid = [printed(work, number) | {"seq": number} for number in range(1, 4)]
    assert node.post("node/reports", {"epoch": 1, "entries": laid}).status_code == 200


def paused(furnished: Caller, node: Caller, clock: HeldClock) -> None:
    printing(furnished, node, clock)
    acted = {"kind": "operator-acted", "seq": 4, "at": "2026-03-20T13:30:00Z", "action": "pause"}
    assert node.post("node/reports", {"epoch": 1, "entries": [acted]}).status_code == 200
    told = {"kind": "conditions-changed", "seq": 5, "at": "2026-03-20T13:31:00Z", "keywords": ["media-empty-error"]}
    assert node.post("node/reports", {"epoch": 1, "entries": [told]}).status_code == 200
    assert Machine.objects.get().hold


def held(furnished: Caller, node: Caller, clock: HeldClock) -> None:
    printing(furnished, node, clock)
    assert furnished.post("runs/spring/hold", {}, HTTP_IF_MATCH="*").status_code == 200
    clock.at += timedelta(hours=1)


def before(furnished: Caller, node: Caller, clock: HeldClock) -> None:
    tell(node, panel=CALLED)


def over(furnished: Caller, node: Caller, clock: HeldClock) -> None:
    clock.at += timedelta(days=9)


STATES: list[Callable[[Caller, Caller, HeldClock], None]] = [before, printing, silent, paused, held, over]


@pytest.mark.parametrize("state", STATES)
def test_nothing_of_english_is_left_over(
    furnished: Caller, node: Caller, clock: HeldClock, state: Callable[[Caller, Caller, HeldClock], None]
) -> None:
    furnished.create("service-windows", SERVICE_WINDOW | {"name": "Ronda"})
    assert furnished.put("venues/quay/hours?accept=true", HOURS).status_code == 200
    contact = {"role": "technician", "telephone": "117"}
    assert furnished.put("venues/quay/contacts", {"contacts": [contact]}).status_code == 200
    state(furnished, node, clock)
    person = signed_in()
    for path, client in (
        ("/venues/quay/today", None),
        ("/machines/wren-1/now", None),
        ("/machines/wren-1/now?place=52.7+O", None),
        ("/machines/wren-1/now?place=nowhere", None),
        ("/machines/wren-1/now/fragment", None),
        ("/runs/spring/decide", person),
    ):
        assert left_over(unescape(portuguese(path, client)).replace("nowhere", "")) == [], path


def test_what_is_left_over_is_seen(furnished: Caller) -> None:
    page = portuguese("/venues/quay/today")
    assert left_over(page.replace("Primeiro", "Nothing waits for you.")) != []
    assert left_over(page.replace("Primeiro", "First of all")) == ["First of all"]
    assert left_over('<p lang="en">Nothing is open on this run</p>') == []


def test_numbers_and_dates_are_as_the_language_writes_them(furnished: Caller, node: Caller, clock: HeldClock) -> None:
    printing(furnished, node, clock)
    page = unescape(portuguese("/venues/quay/today")).replace("\u00a0", " ")
    assert "Sex, 20 de Mar de 2026" in page or "sex, 20 de mar de 2026" in page.lower()
    assert "0,33 mm" in page and "5 mm por hora" in page
    page = unescape(portuguese("/machines/wren-1/now")).replace("\u00a0", " ")
    assert "9,1° O" in page
    assert re.search(r'<line class="due" x1="[0-9.]+"', page), "a drawing has numbers of its own"


def test_a_place_is_understood_as_the_page_writes_it(furnished: Caller) -> None:
    page = unescape(portuguese("/machines/wren-1/now?place=52,7+O")).replace("\u00a0", " ")
    assert "52,7° O é impresso" in page
    assert "52,7° E é impresso" in unescape(portuguese("/machines/wren-1/now?place=52,7+E")).replace("\u00a0", " ")


def test_english_is_spoken_where_nobody_asks_for_another(furnished: Caller) -> None:
    for header in ({}, {"HTTP_ACCEPT_LANGUAGE": "de"}, {"HTTP_ACCEPT_LANGUAGE": "en-GB,pt;q=0.5"}):
        answer = Client().get("/venues/quay/today", **header)  # type: ignore[arg-type]  # headers
        assert answer["Content-Language"] == "en" and '<html lang="en">' in answer.content.decode()
        assert "Accept-Language" in answer["Vary"] and "Cookie" in answer["Vary"]


def test_a_language_is_chosen_by_a_link_and_kept(furnished: Caller) -> None:
    client = Client()
    page = client.get("/machines/wren-1/now?place=5").content.decode()
    assert '<a href="?place=5&amp;language=pt" lang="pt" hreflang="pt">Português</a>' in page
    answer = client.get("/machines/wren-1/now?place=5&language=pt")
    assert '<html lang="pt">' in answer.content.decode()
    cookie = answer.cookies["language"]
    assert (cookie.value, cookie["httponly"], cookie["samesite"], cookie["max-age"]) == ("pt", True, "Lax", 31_536_000)
    assert '<html lang="pt">' in client.get("/venues/quay/today").content.decode(), "on every page of theirs"
    assert '<html lang="en">' in client.get("/venues/quay/today?language=en", **PORTUGUESE).content.decode()  # type: ignore[arg-type]


@pytest.mark.parametrize("asked", ["de", "pt-BR", "../../etc", "%00", "x" * 5000])
def test_what_is_no_language_of_ours_is_not_kept(furnished: Caller, asked: str) -> None:
    client = Client()
    answer = client.get("/venues/quay/today", {"language": asked})
    assert (answer.status_code, answer["Content-Language"], "language" in answer.cookies) == (200, "en", False)
    client.cookies["language"] = asked[:100].replace("%", "").replace("/", "")
    assert client.get("/venues/quay/today").status_code == 200


def test_the_studios_pages_stay_english_whatever_a_browser_says(furnished: Caller) -> None:
    person = signed_in()
    for path in ("/", "/season", "/machines", "/venues/quay/contacts"):
        page = person.get(path, **PORTUGUESE).content.decode()  # type: ignore[arg-type]  # headers
        assert '<html lang="en">' in page and "Português" not in page and ">Machines</a>" in page
