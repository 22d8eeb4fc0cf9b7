"""The page of a machine's paper at an instant; what it tells is tested beside `scheduling.answers`."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from django.test import Client

from scheduling.log.models import HandUse
from tests.server.studio import BEGINS, Caller, HeldClock

pytestmark = pytest.mark.usefixtures("furnished")
PATH = "/machines/wren-1/paper/at"


def page(client: Client, **query: str) -> str:
    answer = client.get(PATH, query)
    assert answer.status_code == 200
    return re.sub(r"\s+", " ", answer.content.decode())


def test_it_is_told_by_the_clock_there_by_utc_and_by_the_readers(client: Client) -> None:
    """Tokyo is nine hours ahead of UTC (IANA time zone database)."""
    text = page(client, at="2026-03-20T22:01", zone="Asia/Tokyo")
    assert "<h1>The paper of Wren 1, 22:01 on Fri 20 Mar 2026</h1>" in text
    assert "2026-03-20 22:01 in UTC; 07:01 on Sat 21 Mar 2026 by yours, Asia/Tokyo" in text
    row = re.search(r"<tr><th scope=\"row\">Under the head</th>(.*?)</tr>", text)
    assert row is not None and "longitude 150.0° W to 151.0° W on the map" in row[1]
    assert "between 07:00 and 07:04 on 2026-03-21" in row[1]
    assert "This is the plan" in text and "Cut off by then: 1 strip." in text


def test_the_head_and_the_knife_are_drawn_with_the_plates_between(client: Client, clock: HeldClock) -> None:
    text = page(client, at="2026-03-20T22:01")
    assert text.count('<line class="due"') == 1 and text.count('<line class="blade"') == 1
    pictures = set(re.findall(r'href="(/machines/wren-1/plates/[0-9a-f]{64}\.png)"', text))
    assert pictures and all(client.get(one).status_code == 200 for one in pictures)
    clock.at += timedelta(days=400)
    assert "undrawn" not in page(client)


def test_strips_are_cut_off_by_the_plan_and_as_was_told(client: Client) -> None:
    """What was cut off weeks ago need not lie on the floor any more."""
    text = page(client, at="2026-03-21T12:00")
    assert '<th scope="row">Cut off, by the plan</th>' in text and "floor" not in text


def test_cuts_by_hand_are_told_before_the_first_strip(client: Client) -> None:
    cut = {"action": "cut", "paper_position": 0, "paper_columns": 0, "seen_done": True, "at": BEGINS}
    HandUse.objects.create(machine_id="wren-1", version=1, **cut)
    assert "Cut off by then: no strip, and once by hand." in page(client)
    HandUse.objects.create(machine_id="wren-1", version=2, **cut)
    assert "Cut off by then: no strip, and 2 times by hand." in page(client)


@pytest.mark.parametrize(
    ("said", "utc"),
    [("2026-03-20T22:03:59", "22:03"), ("2026-03-20T22:04:00.500", "22:04"), ("2026-03-20T22:04", "22:04")],
)
def test_a_time_is_asked_about_as_exactly_as_it_is_given(client: Client, said: str, utc: str) -> None:
    """Four minutes a column there, from 22:00 on: at 22:04 the next is laid."""
    text = page(client, at=said)
    assert f'value="{said}"' in text and f"2026-03-20 {utc} in UTC" in text
    row = re.search(r"<tr><th scope=\"row\">Under the head</th>(.*?)</tr>", text)
    begins = "22:00" if utc == "22:03" else "22:04"
    assert row is not None and f"between {begins} and " in row[1]
    assert f'href="?at={said.replace("20T", "21T")}&amp;which=earlier">A day later' in text


def test_where_nobody_says_when_it_is_now(client: Client) -> None:
    text = page(client)
    assert "06:00 on Fri 20 Mar 2026" in text and "Nothing lies on it by then." in text


def test_a_time_that_comes_twice_is_the_one_that_is_meant(client: Client) -> None:
    """In Lisbon clocks go back on 25 October 2026 at 2:00 (IANA): 1:30 is 0:30 and 1:30 UTC."""
    assert "2026-10-25 00:30 in UTC" in page(client, at="2026-10-25T01:30")
    later = page(client, at="2026-10-25T01:30", which="later")
    assert "2026-10-25 01:30 in UTC" in later and 'value="later" selected' in later


@pytest.mark.parametrize("said", ["noon", "2026-03-20T22:01+01:00", "2999-01-01T00:00", "9999-12-31T23:59"])
def test_what_cannot_be_read_is_said_beside_it(client: Client, said: str) -> None:
    text = page(client, at=said)
    assert 'aria-invalid="true"' in text and "Shown is now." in text


def test_it_is_found_from_the_machines_pages(client: Client, furnished: Caller) -> None:
    assert PATH in client.get("/").content.decode()
    assert PATH in client.get("/machines/wren-1/paper").content.decode()
