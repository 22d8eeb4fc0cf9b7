"""A series of openings, what was measured of a machine, and exceptions of a rule, in a real browser, by keyboard."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import Seen
from tests.browser.test_console_pages import require_accessible_everywhere, sign_in
from tests.browser.test_pictures_and_runs import press, say, see

pytestmark = pytest.mark.browser


def test_a_series_is_made_seen_under_its_name_and_called_off(desk: Seen) -> None:
    page = desk.page
    page.goto("/sign-in?next=/opening-series/new")
    sign_in(page)
    page.get_by_label("What each is called").fill("Late Saturday")
    page.get_by_label("At", exact=True).select_option("quay")
    say(page, "It opens", "2026-04-04T19:00")
    expect(page.get_by_label("Rule", exact=True)).to_be_hidden()
    see(page)
    expect(page.get_by_text("Say either how many dates there are, or the last of them.")).to_be_visible()
    require_accessible_everywhere(page)
    page.get_by_label("So many dates").fill("3")
    see(page)
    expect(page.get_by_text("Late Saturday opens 2026-04-18 19:00 at Quay House")).to_be_visible()
    press(page.get_by_role("button", name="Add it"))
    expect(page.get_by_role("heading", name="Its openings")).to_be_visible()
    require_accessible_everywhere(page)
    page.goto("/openings")
    expect(page.get_by_role("heading", name="Late Saturday")).to_have_count(1)
    require_accessible_everywhere(page)
    press(page.get_by_role("link", name="Call off all to come of Late Saturday"))
    see(page)
    press(page.get_by_role("button", name="Call off", exact=True))
    expect(page.get_by_text("Late Saturday is called off.")).to_be_visible()
    press(page.get_by_role("link", name="Let it stand again"))
    require_accessible_everywhere(page)


def test_what_was_measured_is_taken_down(desk: Seen) -> None:
    page = desk.page
    page.goto("/sign-in?next=/machines/wren-1")
    sign_in(page)
    press(page.get_by_role("link", name="Take down what was measured"))
    page.get_by_label("The same by a steel rule, mm").fill("199.5")
    see(page)
    expect(page.get_by_text("The paper comes out at 0.99750 of what is ordered")).to_be_visible()
    require_accessible_everywhere(page)
    press(page.get_by_role("link", name="Leave it as it is"))
    expect(page.get_by_text("Nothing yet: it is taken to be as its model says.")).to_be_visible()


def test_what_is_missed_after_a_cause_has_a_rule_of_its_own(desk: Seen) -> None:
    page = desk.page
    page.goto("/sign-in?next=/runs/new")
    sign_in(page)
    limit = page.get_by_label("Print late at most the newest, where that is chosen here")
    expect(limit).to_be_hidden()
    page.get_by_label("After a power cut").select_option("replay-within")
    expect(limit).to_be_visible()
    require_accessible_everywhere(page)
    page.goto("/runs/spring/continue")
    expect(page.get_by_text("Nobody holds it, now or later.")).to_be_visible()
    require_accessible_everywhere(page)
