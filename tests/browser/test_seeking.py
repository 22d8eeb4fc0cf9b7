"""A run sought in a real browser, by keyboard: wishes added and taken out, answers side by side, and one of them in the
form of a run."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import Seen
from tests.browser.test_console_pages import require_accessible_everywhere, sign_in
from tests.browser.test_pictures_and_runs import press, say

pytestmark = pytest.mark.browser


def test_a_run_is_sought_by_two_wishes_and_one_answer_fills_the_form_in(desk: Seen) -> None:
    page = desk.page
    page.goto("/sign-in?next=/machines/wren-1")
    sign_in(page)
    press(page.get_by_role("link", name="Seek a run by what it is to do"))
    require_accessible_everywhere(page)
    # After all that other tests of this studio plan.
    say(page, "From", "2026-03-29T12:00")
    say(page, "Until", "2026-04-05T12:00")
    page.get_by_label("Which place of the picture").fill("Lisbon, Portugal")
    say(page, "When", "2026-04-08T13:40")
    page.get_by_label("Which", exact=True).select_option("strip-falls")
    press(page.get_by_role("button", name="Add this wish"))
    expect(page).to_have_url(re.compile("#wish-1$"))
    expect(page.get_by_label("Which place of the picture")).to_have_value("Lisbon, Portugal")
    strip = page.get_by_role("group", name="2. A strip falls then")
    strip.get_by_label("So many minutes beside it are well, too").fill("180")
    page.get_by_label("Which place of the picture").press("Enter")
    expect(strip.get_by_text("Say when.")).to_be_visible()
    assert all("422" in said for said in desk.errors)
    desk.errors.clear()
    require_accessible_everywhere(page)
    strip.get_by_label("Local date and time").fill("2026-04-08T18:00")
    press(page.get_by_role("button", name="Seek", exact=True))
    expect(page.get_by_role("heading", name="The nearest, side by side")).to_be_visible()
    expect(page.get_by_role("article")).to_have_count(5)
    first = page.get_by_role("article").first
    expect(first.get_by_text("Kept:")).to_have_count(2)
    expect(first.get_by_text("All is as wished.")).to_be_visible()
    require_accessible_everywhere(page)
    keep_pictures(page)
    press(page.get_by_role("button", name="Take this wish out").first)
    expect(page.get_by_role("group", name="1. A strip falls then")).to_be_visible()
    expect(page.get_by_label("So many minutes beside it are well, too")).to_have_value("180")
    page.go_back()
    press(page.get_by_role("link", name="Plan this").first)
    expect(page.get_by_label("What is printed")).to_have_value("land")
    press(page.get_by_role("button", name="See what that means"))
    expect(page.get_by_role("heading", name="That means")).to_be_visible()


def keep_pictures(page: Page) -> None:
    """For whoever looks at the pages: written where `DAYROLL_LOOKS` says."""
    if (folder := os.environ.get("DAYROLL_LOOKS")) is None:
        return
    for width, scheme in ((1280, "light"), (1280, "dark"), (360, "light")):
        page.set_viewport_size({"width": width, "height": 900})
        page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
        page.screenshot(path=Path(folder) / f"seek-{width}-{scheme}.png", full_page=True)
