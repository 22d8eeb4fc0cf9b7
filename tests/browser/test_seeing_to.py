"""The button of the page that a message leads to, pressed in a real browser, which says where its form is from."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import Seen, Site
from tests.browser.test_every_page import message_of
from tests.server.every_page import THINGS
from tests.server.processes import run

pytestmark = pytest.mark.browser

# Another test may have had the same matter, which is over by now.
NOTHING_YET = """
from scheduling.log.models import Matter, Message
Message.objects.all().delete()
Matter.objects.all().delete()
"""


def test_who_was_sent_a_message_says_that_they_see_to_it(site: Site, desk: Seen) -> None:
    assert run(["shell", "--no-imports", "-c", NOTHING_YET], site.environment).returncode == 0
    page = desk.page
    page.goto(f"/see-to/{THINGS['see-to']}/{message_of(site)}")
    page.get_by_role("button", name="I see to it").click()
    expect(page.get_by_text("Somebody sees to it")).to_be_visible()
    assert page.get_by_role("button", name="I see to it").count() == 0
    acknowledged = site.call("GET", f"matters/{THINGS['matters']}")
    assert acknowledged["acknowledged_by"] == f"recipient:{THINGS['recipients']}"
    assert desk.errors == []
