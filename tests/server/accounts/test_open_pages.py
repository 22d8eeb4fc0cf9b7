"""Which pages are open to whoever reaches the server, and which are not where somebody closed them."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from django.test import Client
from django.urls import get_resolver

from server.accounts.people import make_person
from server.accounts.principals import Grant
from tests.server.processes import process, wait_for_line
from tests.server.serving.test_behind_a_proxy import ask
from tests.server.studio import Caller

PASSWORD = "lanterns over the weir"
CLOSED = ("/", "/overview", "/venues/quay/today", "/venues/quay/service-windows", "/machines/wren-1/paper.png")
OPEN = ("/machines/wren-1/now", "/machines/wren-1/now/fragment", "/sign-in", "/livez", "/readyz")
# What a message leads to is open to whoever holds its secret, and to nobody else.
OPEN_BY_NAME = {"now", "now-fragment", "plate-picture", "sign-in", "sign-out", "live", "ready", "see-to"}
# Asks for a key itself.
OPEN_BY_NAME |= {"metrics"}
FEED = "/api/v1/venues/quay/calendar.ics"


@pytest.fixture
def closed(furnished: Caller, settings: Any) -> None:
    settings.OPEN_PAGES = False


def test_as_it_is_set_up_the_pages_are_open(furnished: Caller) -> None:
    for path in (*OPEN, "/", "/overview", "/venues/quay/today", FEED):
        assert Client().get(path).status_code == 200, path
    assert "Looking is open to all" in Client().get("/sign-in").content.decode()


@pytest.mark.usefixtures("closed")
def test_where_they_are_closed_the_visitors_pages_stay_open_and_no_others() -> None:
    for path in OPEN:
        assert Client().get(path).status_code == 200, path
    for path in CLOSED:
        answer = Client().get(path)
        assert (answer.status_code, answer["Location"]) == (302, f"/sign-in?next={path}"), path
        assert Client().post(path).status_code == 302
    assert "for those who are signed in" in Client().get("/sign-in").content.decode()


def pages() -> dict[str, str]:
    """The address of each page by its name. What an address names need not be there."""
    named = {"machine": "wren-1", "venue": "quay", "digest": "0" * 64, "prefix": "studio_0"}
    named |= {"number": "1"}
    found = {}
    for name, (ways, *_) in get_resolver().reverse_dict.items():
        form, parts = ways[0]
        if isinstance(name, str) and not form.startswith("api/"):
            found[name] = "/" + form % {part: named.get(part, "any") for part in parts}
    return found


@pytest.mark.usefixtures("closed")
def test_a_page_is_closed_unless_somebody_decided_otherwise() -> None:
    """Also one that nobody thought of here: each that there is gets asked."""
    make_person("robin", PASSWORD, Grant("reader"))
    robin, found = Client(), pages()
    assert robin.login(username="robin", password=PASSWORD)
    assert {"console", "today", "decide", "new-password"} | OPEN_BY_NAME <= found.keys()
    for name, address in found.items():
        sent = (302, f"/sign-in?next={address}")
        for ask_for in (Client().get, Client().post):
            answer = ask_for(address)
            assert ((answer.status_code, answer.get("Location")) == sent) == (name not in OPEN_BY_NAME), name
        answer = robin.get(address)
        assert (answer.status_code, answer.get("Location")) != sent, name


@pytest.mark.usefixtures("closed")
def test_a_calendar_is_at_a_secret_address_that_a_page_tells() -> None:
    assert Client().get(FEED).status_code == 404
    for guess in ("", "x", "ü", "0" * 32):
        assert Client().get(f"{FEED}?secret={guess}").status_code == 404
    make_person("robin", PASSWORD, Grant("reader"))
    robin = Client()
    assert robin.login(username="robin", password=PASSWORD)
    found = re.search(f'href="({re.escape(FEED)}[?]secret=[0-9a-f]{{32}})"', robin.get("/").content.decode())
    assert found is not None
    assert Client().get(found[1]).status_code == 200
    assert Client().get(found[1] + "&sky=").status_code == 200
    assert Client().get(found[1][:-1] + ("0" if found[1][-1] != "0" else "1")).status_code == 404


@pytest.mark.usefixtures("closed")
def test_a_key_and_a_node_come_in_as_before(furnished: Caller, node: Caller) -> None:
    assert furnished.get("venues").status_code == 200
    assert node.get("node/work").status_code == 200
    assert Client().get("/api/v1/schema").status_code == 200


def test_it_is_set_by_a_variable(tmp_path: Path) -> None:
    environment, log = {"DAYROLL_HOME": str(tmp_path / "home"), "DAYROLL_OPEN_PAGES": "0"}, tmp_path / "log"
    with process(["-m", "server", "serve", "--port", "0"], environment, log) as server:
        address = wait_for_line(server, log, "Dayroll is at").split()[-1]
        assert ask(address, "", Host="localhost").status == 302
        assert ask(address, "static/console/console.css", Host="localhost").status == 200
