"""The way from nothing on the first page: what is added first, in which order, and what of it is there."""

from __future__ import annotations

import re

import pytest
from django.test import Client

from tests.server.conftest import enrol
from tests.server.desk.pages import shown, signed_in
from tests.server.studio import IN_ORDER, Caller

WAY = [
    ("venues", "/venues/new"),
    ("profiles", "/profiles/new"),
    ("machines", "/machines/new"),
    ("sources", "/sources/new"),
    ("runs", "/runs/new"),
]


def offered(page: str) -> list[str]:
    """The steps to which a button leads."""
    return re.findall(
        r'<a class="button" href="([^"]+)">', page.partition('class="beginning"')[2].partition("</ol>")[0]
    )


@pytest.fixture
def person(studio: Caller) -> Client:
    return signed_in()


def test_each_step_is_offered_once_the_one_before_is_done(person: Client, studio: Caller) -> None:
    for number, (body, (resource, address)) in enumerate(zip(IN_ORDER, WAY, strict=False)):
        page = shown(person, "/")
        assert offered(page) == [address] and page.count(": there is one") == number
        assert person.get(address).status_code == 200
        studio.create(*body)
        assert body[0] == resource
    page = shown(person, "/")
    assert offered(page) == ["/machines/wren-1/board/code"] and page.count(": there is one") == 5
    enrol(studio)
    assert 'class="beginning"' not in shown(person, "/")


def test_the_page_of_what_was_added_leads_on(person: Client, studio: Caller) -> None:
    studio.create(*IN_ORDER[0])
    assert 'href="/profiles/new">Describe a model</a>' in shown(person, "/venues/quay")
    for resource, body in IN_ORDER[1:5]:
        studio.create(resource, body)
    assert "/board/code" in shown(person, "/profiles/wren")
    enrol(studio)
    assert "On the way" not in shown(person, "/profiles/wren")


def test_whoever_cannot_set_it_up_is_told_who_can(person: Client) -> None:
    page = shown(Client(), "/")
    assert "No venue yet" in page and 'href="/sign-in?next=/"' in page and offered(page) == []
    page = shown(signed_in("reader"), "/")
    assert "The studio sets this up" in page and offered(page) == []
    assert offered(shown(person, "/overview")) == ["/venues/new"]
