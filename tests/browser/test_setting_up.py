"""The studio sets up a model, a machine and its board in a real browser, by keyboard where it types and by pointer."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import Seen
from tests.browser.test_console_pages import require_accessible_everywhere, sign_in

pytestmark = pytest.mark.browser


def test_a_model_a_machine_and_a_code_for_its_board(desk: Seen) -> None:
    page = desk.page
    page.goto("/profiles/new")
    sign_in(page)
    page.get_by_role("link", name="Linnet").click()
    nozzles, strobe = page.get_by_label("Nozzles", exact=True), page.get_by_label("One strobe, s")
    expect(nozzles).to_be_hidden()
    page.get_by_label("a carriage that crosses the paper").check()
    expect(nozzles).to_be_visible()
    expect(strobe).to_be_hidden()
    page.get_by_label("a line as wide as the paper").check()
    require_accessible_everywhere(page)
    page.get_by_label("Highest speed, mm an hour").fill("10")
    page.keyboard.press("Enter")
    expect(page.get_by_text("it cannot follow a day")).to_be_visible()
    page.get_by_label("Highest speed, mm an hour").fill("60")
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Add it").click()
    expect(page.get_by_role("heading", name="By each cycle")).to_be_visible()
    require_accessible_everywhere(page)

    page.get_by_role("link", name="Add a machine of it").click()
    expect(page.get_by_label("Its model")).to_have_value("linnet")
    page.get_by_label("What it is called").fill("Linnet 1")
    page.get_by_label("Where it stands").select_option(label="Quay House")
    page.get_by_role("button", name="See what that means").press("Enter")
    page.get_by_role("button", name="Add it").press("Enter")
    require_accessible_everywhere(page)
    page.get_by_role("link", name="Its board").click()
    page.get_by_role("link", name="Make a code").click()
    page.get_by_role("button", name="Make a code").click()
    expect(page.get_by_role("img", name="The code as a QR code")).to_be_visible()
    require_accessible_everywhere(page)
    page.get_by_role("link", name="Linnet 1", exact=True).click()
    page.get_by_role("link", name="Put away").click()  # so that the other tests' pages are as they were
    page.get_by_role("button", name="See what that means").click()
    page.get_by_role("button", name="Put away").click()
    expect(page.get_by_text("Linnet 1 is put away.")).to_be_visible()
    page.goto("/people/new")
    require_accessible_everywhere(page)


def test_a_press_on_the_map_says_where_a_venue_is(desk: Seen) -> None:
    page = desk.page
    page.goto("/sign-in?next=/venues/new")
    sign_in(page)
    box = page.get_by_role("img", name="A map of the world").bounding_box()
    assert box is not None
    # From 180 W to 180 E, and from 78 N to 57 S.
    page.mouse.click(box["x"] + box["width"] * (180 - 9) / 360, box["y"] + box["height"] * (78 - 39) / 135)
    assert float(page.get_by_label("Latitude, degrees").input_value()) == pytest.approx(39, abs=0.6)
    assert float(page.get_by_label("Longitude, degrees").input_value()) == pytest.approx(-9, abs=0.6)
    dot = page.locator("#where .place")
    page.get_by_label("Longitude, degrees").fill("90")
    expect(dot).to_have_attribute("cx", "750")
    require_accessible_everywhere(page)
