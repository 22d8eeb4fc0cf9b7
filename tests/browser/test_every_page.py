"""Every page in a real browser, drawn from the urlconf: readable by everyone, in all colours, as wide as its screen, in
every language that it speaks, and with nothing for the browser to complain about."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Page

from tests.browser.conftest import PASSWORD, Seen, Site
from tests.browser.test_console_pages import HEIGHT, LOOKS, require_accessible, sign_in
from tests.server.every_page import Address, every_page
from tests.server.processes import run
from tests.server.studio import SERIES

pytestmark = pytest.mark.browser

NEW = "lanterns over the weir"
# In the server's own database and with its own secret key.
TELLING = """
from server import wiring
from server.accounts.message_secrets import message_secret
from tests.server.every_page import THINGS, one_of_what_is_told
one_of_what_is_told(wiring.now())
print(message_secret(THINGS["see-to"]))
"""
# Nobody's account is closed, and nothing is there then.
NOTHING_THERE = {"reopen-person"}
# Of pages that are made alike one is looked at: what differs is the name of a thing, or a word of what is done to it.
ALIKE = {
    "retire-profile", "retire-machine", "retire-source", "take-back-profile", "take-back-machine", "take-back-source",
}  # fmt: skip


@pytest.fixture
def pages(site: Site, desk: Seen) -> Iterator[list[Address]]:
    """All of them, with somebody of the studio signed in."""
    site.call("POST", "opening-series", SERIES)
    desk.page.goto("/sign-in?next=/people")
    sign_in(desk.page)
    number = given_an_account(desk.page)
    named = {"number": number, "prefix": "_".join(site.key.split("_")[:2]), "secret": message_of(site)}
    yield [one for one in every_page(named) if one.name not in NOTHING_THERE | ALIKE]


def message_of(site: Site) -> str:
    """Somebody was told of something; the secret of the address that it had."""
    said = run(["shell", "--no-imports", "-c", TELLING], site.environment)
    assert said.returncode == 0, said.stderr
    return said.stdout.split()[-1]


def given_an_account(page: Page) -> str:
    """The number of somebody whose role a page can ask about."""
    page.goto("/people/new")
    page.get_by_label("The name to sign in with").fill("kim")
    for label, text in (("Password", NEW), ("The same again", NEW), ("Your own password", PASSWORD)):
        page.get_by_label(label, exact=True).fill(text)
    page.get_by_role("button", name="Give the account").click()
    found = re.search(r"/people/(\d+)/role", page.content())
    assert found is not None
    return found[1]


def test_every_page_can_be_read_by_everyone(desk: Seen, pages: list[Address]) -> None:
    page, wrong = desk.page, list[str]()
    for one in pages:
        answer = page.goto(one.path)
        assert answer is not None
        if answer.status != 200:
            wrong.append(f"{one.path}: {answer.status}")
            continue
        for language in languages(page):
            if language:
                page.goto(f"{one.path}?language={language}")
            for width, scheme in LOOKS:
                page.set_viewport_size({"width": width, "height": HEIGHT})
                page.emulate_media(color_scheme=scheme)
                try:
                    require_accessible(page)
                except AssertionError as error:
                    wrong.append(f"{page.url} {width} {scheme}: {str(error)[:600]}")
        wrong += [f"{one.path}: {said}" for said in desk.errors]
        desk.errors.clear()
    assert wrong == []
    assert len(pages) > 60


def languages(page: Page) -> list[str]:
    """Those that a page can be read in; one that is empty where it offers none."""
    offered = page.locator("nav.languages a")
    return [str(one.get_attribute("hreflang")) for one in offered.all()] or [""]
