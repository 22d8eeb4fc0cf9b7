"""A machine's paper and the season by the reader's own clock, too; and a local time that comes twice on an axis."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.test import Client

from scheduling.sky.zones import zone, zone_names, zones_of_countries
from server.console.own_clock import NO_CLOCK, OwnClock
from server.console.time_marks import time_marks
from tests.server.studio import OPENING, Caller

PAPER, SEASON = "/machines/wren-1/paper?from=2026-03-20&days=1", "/season?from=2026-03&months=1"
KATHMANDU = "Asia/Kathmandu"


def page(path: str, client: Client | None = None) -> str:
    answer = (client or Client()).get(path)
    assert answer.status_code == 200
    return answer.content.decode()


def texts(*day: int, hours: int, by: str, most: int = 12) -> list[str]:
    begins = datetime(*day, tzinfo=zone(by)).astimezone(UTC)  # type: ignore[misc,arg-type]  # year, month, day
    return [one.text for one in time_marks(begins, begins + timedelta(hours=hours), zone(by), most)]


def test_a_local_time_that_comes_twice_is_marked_twice_and_says_which() -> None:
    """Clocks went back at two in Lisbon on 25 October 2026, and at that instant, from one, on the Azores."""
    assert texts(2026, 10, 25, hours=5, by="Europe/Lisbon")[:5] == [
        "Sun 25",
        "01:00 WEST",
        "01:00 WET",
        "02:00",
        "03:00",
    ]
    assert texts(2026, 10, 25, hours=3, by="Atlantic/Azores") == ["Sun 25", "00:00 UTC-01:00", "01:00"]
    # Lord Howe's clocks go back by half an hour, at two; its zone has no name but its offset.
    assert texts(2026, 4, 5, hours=4, by="Australia/Lord_Howe") == ["Sun 5", "01:00", "02:00", "03:00"]


def test_marks_are_in_order_of_time_and_skip_what_is_skipped() -> None:
    begins = datetime(2026, 3, 29, tzinfo=UTC)
    marks = time_marks(begins, begins + timedelta(hours=4), zone("Europe/Lisbon"), 12)
    assert [one.text for one in marks] == ["Sun 29", "02:00", "03:00", "04:00"]
    assert sorted(one.at for one in marks) == [one.at for one in marks]


def test_paper_along_time_is_told_by_a_third_clock(printing: Caller, furnished: Caller) -> None:
    """Nepal's is five hours and three quarters ahead; midday in Lisbon is a quarter to six there."""
    assert "By your clock" not in page(PAPER)
    shown = page(f"{PAPER}&zone={KATHMANDU}")
    assert "by the clock of Europe/Lisbon, in UTC, and by yours, Asia/Kathmandu" in shown
    assert '<th scope="col">By your clock</th>' in shown
    assert "<td>12:00 on Fri 20 Mar 2026 UTC</td><td>17:45 on Fri 20 Mar 2026<" in shown
    axes = re.findall(r'<svg class="clock".*?</svg>', shown, re.DOTALL)
    assert len(axes) == 3 and "Sat 21" in axes[2] and "Sat 21" not in axes[0]
    assert "then UTC, then yours" in shown


@pytest.mark.parametrize("own", ["Europe/Lisbon", "UTC"])
def test_a_clock_that_is_shown_anyway_is_not_shown_twice(printing: Caller, own: str) -> None:
    shown = page(f"{PAPER}&zone={own}")
    assert "By your clock" not in shown and len(re.findall(r'<svg class="clock"', shown)) == 2


def test_the_season_tells_its_times_by_the_readers_clock_too(furnished: Caller) -> None:
    furnished.create("openings", OPENING)
    assert "By your clock" not in page(SEASON)
    shown = page(f"{SEASON}&zone={KATHMANDU}")
    assert "times by each venue's clock, below also by yours, Asia/Kathmandu" in shown
    assert "<td>19:00 on Sat 21 Mar 2026</td><td>00:45 on Sun 22 Mar 2026<" in shown
    assert "<td>from 17:45 on Fri 20 Mar 2026 to 17:45 on Mon 23 Mar 2026<" in shown


def test_what_was_chosen_on_one_page_holds_on_the_others(furnished: Caller) -> None:
    client = Client()
    page(f"{SEASON}&zone={KATHMANDU}", client)
    for path in (PAPER, SEASON, "/machines/wren-1/now"):
        assert '<option value="Asia/Kathmandu" selected>' in page(path, client)
        assert "Cookie" in client.get(path)["Vary"]
    page(f"{PAPER}&zone=", client)
    assert 'value="Asia/Kathmandu" selected' not in page(SEASON, client) and "By your clock" not in page(SEASON, client)


def test_a_zone_that_only_an_address_names_can_be_read_by_too(furnished: Caller) -> None:
    shown = page(f"{SEASON}&zone=US/Eastern")
    assert '<option value="US/Eastern" selected>US/Eastern</option>' in shown and "By your clock" in shown


@pytest.mark.parametrize("path", [PAPER, SEASON])
def test_what_is_no_zone_is_said(furnished: Caller, path: str) -> None:
    shown = page(f"{path}&zone=<b>Atlantis")
    assert "“&lt;b&gt;Atlantis” is no time zone. Choose one from the list." in shown and "<b>" not in shown


def test_a_time_that_comes_twice_by_the_readers_clock_says_which() -> None:
    own = OwnClock("America/St_Johns")
    twice = datetime(2026, 11, 1, 3, 40, tzinfo=UTC)  # clocks went back at two, to one
    assert [own.moment(twice + timedelta(hours=hours)) for hours in (0, 1)] == [
        "01:10 NDT on Sun 1 Nov 2026",
        "01:10 NST on Sun 1 Nov 2026",
    ]
    assert NO_CLOCK.moment(twice) == NO_CLOCK.span(twice, twice) == ""


def test_the_zones_that_can_be_chosen_are_those_of_the_database_by_region() -> None:
    regions = NO_CLOCK.regions
    listed = [name for region in regions for name, _ in region.zones]
    assert listed[0] == "UTC" and sorted(listed[1:]) == list(zones_of_countries()) and set(listed) <= zone_names()
    assert [one.name for one in regions][:3] == ["UTC", "Africa", "America"]
    names: dict[str, Any] = dict(next(one for one in regions if one.name == "America").zones)
    assert names["America/Argentina/Buenos_Aires"] == "Argentina/Buenos Aires"
