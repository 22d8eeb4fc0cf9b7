"""The log of a machine as a page."""

from __future__ import annotations

import re

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from scheduling.log.models import Event, Run
from scheduling.queries.machine_log import newest_events
from tests.server.desk.pages import shown, signed_in
from tests.server.studio import Caller

ADDRESS = "/machines/wren-1/log"


@pytest.fixture
def person(printing: Caller) -> Client:
    return signed_in()


def positions(page: str) -> list[int]:
    return [int(found) for found in re.findall(r"; entry (\d+), of ", page)]


def test_all_that_is_of_it_and_of_its_runs_is_told_once_the_newest_first(person: Client) -> None:
    page, told = shown(person, ADDRESS), []
    while positions(page):
        told += positions(page)
        earlier = re.search(r'href="(\?before=\d+)">Earlier<', page)
        page = shown(person, ADDRESS + earlier[1]) if earlier else ""
    streams = ["machine/wren-1", *(f"run/{run.id}" for run in Run.objects.filter(machine_id="wren-1"))]
    of_it = Event.objects.filter(stream__in=streams).order_by("-position")
    assert len(told) > 8
    assert told == [one.position for one in of_it]


def test_pages_are_cut_where_they_were_asked_to_be(person: Client) -> None:
    every = newest_events("wren-1", 1000)
    assert newest_events("wren-1", 3, every[4].position) == every[5:8]


def test_a_fact_is_told_with_who_said_it_and_what(person: Client) -> None:
    page = shown(person, ADDRESS)
    assert "Columns printed" in page and "by node:wren-1" in page and "<dt>Paper position</dt>" in page
    assert re.search(r"<strong>Machine added</strong>.*of machine/wren-1", page)


def test_what_is_no_position_is_said_to_be_none(person: Client) -> None:
    assert "“soon” is no position in the log. Shown is the newest." in shown(person, f"{ADDRESS}?before=soon")
    assert "There is nothing before it." in shown(person, f"{ADDRESS}?before=1")


def test_it_is_for_people_who_are_signed_in(person: Client) -> None:
    answer = Client().get(ADDRESS)
    assert answer.status_code == 302 and answer["Location"].startswith("/sign-in")
    assert person.get("/machines/nobody/log").status_code == 404


def test_a_page_is_read_in_as_many_queries_however_many_entries_there_are(person: Client) -> None:
    with CaptureQueriesContext(connection) as queries:
        shown(person, ADDRESS)
    assert len(queries) <= 12
