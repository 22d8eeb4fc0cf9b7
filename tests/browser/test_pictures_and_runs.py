"""A picture from a file to a run of it, and a run that is held, in a real browser: by pointer and by keyboard."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import Locator, Page, expect

from tests.browser.conftest import Seen
from tests.browser.test_console_pages import require_accessible_everywhere, sign_in

pytestmark = pytest.mark.browser


def wave() -> dict[str, object]:
    """A file whose two ends do not meet."""
    stream = io.BytesIO()
    Image.fromarray(np.tile(np.linspace(0, 255, 360, dtype=np.uint8), (96, 1))).save(stream, "PNG")
    return {"name": "wave.png", "mimeType": "image/png", "buffer": stream.getvalue()}


def press(button: Locator) -> None:
    """As whoever has no pointer."""
    button.focus()
    button.press("Enter")


def say(page: Page, legend: str, civil: str) -> None:
    page.get_by_role("group", name=legend, exact=True).get_by_label("Local date and time").fill(civil)


def see(page: Page) -> None:
    press(page.get_by_role("button", name="See what that means"))


def test_a_picture_is_dropped_drawn_blended_shut_and_added(desk: Seen) -> None:
    page = desk.page
    page.goto("/sign-in?next=/sources/new")
    sign_in(page)
    page.get_by_role("link", name="an image of your own").click()
    page.get_by_label("What it is called").fill("A wave")
    page.get_by_label("Its file").set_input_files(wave())  # type: ignore[arg-type]  # a dict of what it names
    turn = page.get_by_role("img", name="One turn of it, its tones without dots")
    expect(turn).to_be_visible()
    expect(page.get_by_label("What it is called")).to_have_value("A wave")
    with page.expect_response(lambda answer: "show=turn" in answer.url and "blend_mm=30" in answer.url) as drawn:
        page.get_by_label("Blend the seam shut over, mm").fill("30")
    assert drawn.value.status == 200
    see(page)
    expect(page.get_by_text("A wave is added, as version 1: new runs can print it.")).to_be_visible()
    require_accessible_everywhere(page)
    press(page.get_by_role("button", name="Add it"))
    expect(page.get_by_role("heading", name="On paper")).to_be_visible()
    for name in (
        "One turn of it as it will lie on the paper, with rulers along its edges",
        "Its dots, six times as large",
    ):
        image = page.get_by_role("img", name=name)
        image.scroll_into_view_if_needed()
        expect(image).to_have_js_property("complete", True)
        assert image.evaluate("image => image.naturalWidth") > 0
    require_accessible_everywhere(page)
    page.goto("/sources")
    require_accessible_everywhere(page)


def test_a_run_is_planned_after_an_error_and_a_warning_and_then_held(phone: Seen) -> None:
    page = phone.page
    page.goto("/sign-in?next=/runs/new?source=land")
    sign_in(page)
    page.get_by_label("On which machine").select_option("wren-1")
    say(page, "It begins", "2026-03-22T12:00")
    say(page, "It ends", "2026-03-27T12:00")
    see(page)
    wrong = page.get_by_role("group", name="It begins", exact=True).get_by_role("alert")
    expect(wrong).to_contain_text("the machine is on run")
    say(page, "It begins", "2026-03-24T12:00")
    page.get_by_label("Strips a turn").fill("4")
    see(page)
    minded = page.get_by_role("alert").filter(has_text="into a turn, whose strips are fewer")
    expect(minded).to_be_visible()
    require_accessible_everywhere(page)
    press(page.get_by_role("button", name="Yes, all of that is meant: add it"))
    expect(page.get_by_role("heading", name="Land on Wren 1")).to_be_visible()
    require_accessible_everywhere(page)
    press(page.get_by_role("link", name="Hold", exact=True))
    until = page.get_by_role("group", name="Until", exact=True)
    until.get_by_label("by the clock there").check()
    until.get_by_label("Local date and time").fill("2026-03-25T12:00")
    see(page)
    expect(page.get_by_text("What the sky passes meanwhile is left out.").last).to_be_visible()
    require_accessible_everywhere(page)
    press(page.get_by_role("button", name="Hold", exact=True))
    expect(page.get_by_text("until 12:00 on Wed 25 Mar 2026")).to_be_visible()
