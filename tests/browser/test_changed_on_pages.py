"""What becomes of a plan on the pages: an opening is dragged and the calendar is another, a run is ended early."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import NOW, Seen, Site
from tests.browser.test_console_pages import require_accessible_everywhere, sign_in
from tests.browser.test_pictures_and_runs import press, say, see
from tests.server.studio import MACHINE, OPENING, RUN

pytestmark = pytest.mark.browser


def in_the_calendar(site: Site, name: str) -> dict[str, str]:
    """What the venue's calendar says of an entry (RFC 5545), by the names of its properties."""
    answer = site.pool.request("GET", f"{site.address}api/v1/venues/quay/calendar.ics")
    entries = answer.data.decode().replace("\r\n ", "").split("BEGIN:VEVENT")
    (found,) = (one for one in entries if f"SUMMARY:{name}" in one)
    return dict(re.findall(r"^([A-Z-]+)[^:\r\n]*:([^\r\n]*)", found, re.MULTILINE))


def test_an_opening_is_dragged_along_the_season_and_the_calendar_tells_it(site: Site, desk: Seen) -> None:
    late = {"id": "late-night", "name": "Late night", "anchor": {"civil": "2026-04-10T20:30", "zone": "Europe/Lisbon"}}
    site.call("POST", "openings", OPENING | late)
    before, page = in_the_calendar(site, "Doors open: Late night"), desk.page
    assert before["DTSTART"] == "20260410T193000Z"
    page.goto("/sign-in?next=/season?from=2026-04%26months=1")
    sign_in(page)
    page.goto("/season?from=2026-04&months=1")
    opening = page.locator("svg.dates a[data-page*='late-night']")
    box, track = opening.bounding_box(), page.locator("svg.bars").first.bounding_box()
    assert box is not None and track is not None
    x, y = box["x"] + 5, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 2.2 * track["width"] / 30, y, steps=4)
    page.mouse.up()
    expect(page.get_by_label("Local date and time")).to_have_value("2026-04-12T20:30")
    page.get_by_role("button", name="See what that means").click()
    require_accessible_everywhere(page)
    page.get_by_role("button", name=re.compile("eep it so$")).click()
    expect(page.get_by_role("status").filter(has_text="Late night")).to_be_visible()
    after = in_the_calendar(site, "Doors open: Late night")
    assert (after["UID"], after["DTSTART"]) == (before["UID"], "20260412T193000Z")
    assert int(after["SEQUENCE"]) > int(before["SEQUENCE"])


def test_a_run_is_ended_early(site: Site, desk: Seen) -> None:
    site.call("POST", "machines", MACHINE | {"id": "wren-2", "name": "Wren 2"})
    begun = {"starts_at": (NOW - timedelta(hours=2)).isoformat(), "begins_in_the_past": True}
    site.call("POST", "runs", RUN | {"id": "brief", "machine": "wren-2"} | begun)
    page = desk.page
    page.goto("/sign-in?next=/runs/brief")
    sign_in(page)
    page.get_by_role("link", name="Give it another end").click()
    require_accessible_everywhere(page)
    page.get_by_role("group", name="When", exact=True).get_by_label("by the clock there").check()
    say(page, "When", "2026-03-21T12:00")
    page.get_by_label("where the strip ends that it is on").check()
    see(page)
    require_accessible_everywhere(page)
    press(page.get_by_role("button", name=re.compile("^Give it another end$|^Yes, all of that is meant")))
    expect(page.get_by_text("ends as you said")).to_be_visible()
    expect(page.get_by_text("on Sat 21 Mar 2026 (Europe/Lisbon)")).to_be_visible()
    put_away(page)


def put_away(page: Page) -> None:
    """So that the other tests' pages are as they were."""
    page.goto("/runs/brief/withdraw")
    see(page)
    press(page.get_by_role("button", name=re.compile("^Withdraw$|^Yes, all of that is meant")))
    page.goto("/machines/wren-2/retire")
    see(page)
    press(page.get_by_role("button", name=re.compile("^Put away$|^Yes, all of that is meant")))
    expect(page.get_by_text("Wren 2 is put away.")).to_be_visible()
