"""A page with more pictures than the server has room to draw at a time: all of them come, and nobody reloads it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import urllib3
from playwright.sync_api import Browser, Response, expect

from tests.browser.conftest import PASSWORD, PERSON
from tests.browser.test_console_pages import sign_in
from tests.server.processes import process, run, wait_for_line

pytestmark = pytest.mark.browser
PICTURES = 6


@pytest.fixture
def narrow(tmp_path: Path) -> Iterator[str]:
    """The address of a server that draws one picture at a time, and has nobody wait; none of its pictures was drawn
    yet."""
    environment = {"DAYROLL_HOME": str(tmp_path / "home"), "DJANGO_SUPERUSER_PASSWORD": PASSWORD}
    log = tmp_path / "log"
    with process(["-m", "server", "serve", "--port", "0", "--threads", "2"], environment, log) as server:
        address = wait_for_line(server, log, "Dayroll is at").split()[-1]
        key = run(["studio-key", "browser"], environment).stdout.strip()
        person = ["createsuperuser", "--noinput", "--username", PERSON, "--email", "keeper@example.org"]
        assert run(person, environment).returncode == 0
        pool = urllib3.PoolManager(retries=False, timeout=60.0)
        for number in range(PICTURES):
            picture = {"kind": "map", "central_meridian_degrees": 10.0 * number}
            body = {"id": f"map-{number}", "name": f"Map {number}", "picture": picture}
            headers = {"Authorization": f"Bearer {key}"}
            assert pool.request("POST", f"{address}api/v1/sources", headers=headers, json=body).status == 201
        yield address


def test_all_pictures_of_a_page_come_though_the_server_had_no_room_for_some(browser: Browser, narrow: str) -> None:
    context = browser.new_context(base_url=narrow, viewport={"width": 1280, "height": 2000})
    page = context.new_page()
    refused: list[str] = []

    def note(answer: Response) -> None:
        if answer.status == 429 and "thumbnail" in answer.url:
            refused.append(answer.url)

    page.on("response", note)
    page.goto("/sign-in?next=/sources")
    sign_in(page)
    shown = page.locator(".gallery img")
    expect(shown).to_have_count(PICTURES)
    told = page.get_by_role("status").filter(has_text="Pictures that are still being drawn: ")
    expect(told).to_be_visible(timeout=30_000)
    for number in range(PICTURES):
        expect(shown.nth(number)).not_to_have_js_property("naturalWidth", 0, timeout=120_000)
    expect(told).to_have_count(0)
    assert refused, "or there was room for all, and nothing was tried"
    context.close()
