"""The page of a machine's paper at an instant; what it tells is tested beside `scheduling.answers`."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from django.test import Client

from tests.server.studio import Caller, HeldClock

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
    assert "This is the plan" in text and "No strip is cut off by then." not in text


def test_the_head_and_the_knife_are_drawn_with_the_plates_between(client: Client, clock: HeldClock) -> None:
    text = page(client, at="2026-03-20T22:01")
    assert text.count('<line class="due"') == 1 and text.count('<line class="blade"') == 1
    pictures = set(re.findall(r'href="(/machines/wren-1/plates/[0-9a-f]{64}\.png)"', text))
    assert pictures and all(client.get(one).status_code == 200 for one in pictures)
    clock.at += timedelta(days=400)
    assert "undrawn" not in page(client)


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
