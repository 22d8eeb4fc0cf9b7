"""A page with more pictures than the server has room to draw at a time: all of them come, and nobody reloads it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import urllib3
from playwright.sync_api import Browser, Page, Response, Route, expect

from tests.browser.conftest import PASSWORD, PERSON
from tests.browser.test_console_pages import sign_in
from tests.scheduling.rendering.test_render import grey_png
from tests.server.processes import process, run, wait_for_line
from tests.server.studio import MACHINE, PROFILE, RUN, VENUE

pytestmark = pytest.mark.browser
PICTURES = 6
# Runs begin when no plate of them is drawn yet.
LATER = timedelta(days=30)


@pytest.fixture(scope="module")
def narrow(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a server that draws one picture at a time, and has nobody wait; none of its pictures was drawn
    yet."""
    tmp_path = tmp_path_factory.mktemp("narrow")
    environment = {"DAYROLL_HOME": str(tmp_path / "home"), "DJANGO_SUPERUSER_PASSWORD": PASSWORD}
    log = tmp_path / "log"
    with process(["-m", "server", "serve", "--port", "0", "--threads", "2"], environment, log) as server:
        address = wait_for_line(server, log, "Dayroll is at").split()[-1]
        key = run(["studio-key", "browser"], environment).stdout.strip()
        person = ["createsuperuser", "--noinput", "--username", PERSON, "--email", "keeper@example.org"]
        assert run(person, environment).returncode == 0
        pool = urllib3.PoolManager(retries=False, timeout=60.0)

        def create(resource: str, body: dict[str, Any]) -> None:
            headers = {"Authorization": f"Bearer {key}"}
            answer = pool.request("POST", f"{address}api/v1/{resource}", headers=headers, json=body)
            assert answer.status == 201, answer.data

        _furnish(create)
        yield address


def _furnish(create: Callable[[str, dict[str, Any]], None]) -> None:
    """Pictures, and on one machine a day of each."""
    for resource, body in (("venues", VENUE), ("profiles", PROFILE), ("machines", MACHINE)):
        create(resource, body)
    begins = datetime.now(UTC) + LATER
    for number in range(PICTURES):
        picture = {"kind": "map", "central_meridian_degrees": 10.0 * number}
        create("sources", {"id": f"map-{number}", "name": f"Map {number}", "picture": picture})
        when = {"starts_at": begins.isoformat(), "ends_at": (begins + timedelta(days=1)).isoformat()}
        create("runs", RUN | when | {"id": f"run-{number}", "source": f"map-{number}"})
        begins += timedelta(days=1)


@pytest.fixture
def page(browser: Browser, narrow: str) -> Iterator[Page]:
    """A page without pictures of its own, whose script asks again."""
    context = browser.new_context(base_url=narrow)
    page = context.new_page()
    page.goto("/sign-in")
    yield page
    context.close()


class Answers:
    """What stands at addresses: each time they are asked for the next of some statuses, and the last ever after."""

    def __init__(self, page: Page, **statuses: tuple[int, ...]) -> None:
        self.statuses, self.asked = statuses, Counter[str]()
        page.route("**/*.png", self._answer)

    def _answer(self, route: Route) -> None:
        name = route.request.url.rpartition("/")[2].removesuffix(".png")
        said = self.statuses[name]
        status = said[min(self.asked[name], len(said) - 1)]
        self.asked[name] += 1
        headers = {"Retry-After": "0.02", "Cache-Control": "no-store"}
        body = grey_png() if status == 200 else b""
        route.fulfill(status=status, headers=headers, content_type="image/png", body=body)


def put(page: Page, *names: str) -> None:
    """Put pictures into the page, one after the other."""
    page.evaluate(
        """(names) => {
            for (const name of names) {
                const image = new Image();
                image.id = name;
                image.src = `/${name}.png`;
                document.body.append(image);
            }
        }""",
        names,
    )


def expect_shown(page: Page, name: str) -> None:
    expect(page.locator(f"#{name}")).not_to_have_js_property("naturalWidth", 0, timeout=30_000)


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
    for number in range(PICTURES):
        expect(shown.nth(number)).not_to_have_js_property("naturalWidth", 0, timeout=120_000)
    assert refused, "or there was room for all, and nothing was tried"
    context.close()


def test_all_pictures_within_a_drawing_come_though_the_server_had_no_room_for_some(
    browser: Browser, narrow: str
) -> None:
    context = browser.new_context(base_url=narrow)
    page = context.new_page()
    answered: dict[str, list[int]] = {}

    def note(answer: Response) -> None:
        if "tile.png" in answer.url and answer.request.resource_type == "image":
            answered.setdefault(answer.url, []).append(answer.status)

    page.on("response", note)
    page.goto("/season")
    tiles = page.locator("pattern image")
    expect(tiles).to_have_count(PICTURES)
    for _ in range(240):
        if [statuses[-1] for statuses in answered.values()] == [200] * PICTURES:
            break
        page.wait_for_timeout(500)
    assert [statuses[-1] for statuses in answered.values()] == [200] * PICTURES
    assert any(429 in statuses for statuses in answered.values()), "or there was room for all, and nothing was tried"
    context.close()


def test_what_never_will_be_there_is_not_asked_for_again(page: Page) -> None:
    """Once for the page, once to know why it did not come."""
    answers = Answers(page, gone=(404,), last=(429, 429, 200))
    put(page, "gone", "last")
    expect_shown(page, "last")
    assert answers.asked["gone"] == 2


def test_what_is_set_aside_holds_up_no_other_and_is_given_up_in_the_end(page: Page) -> None:
    answers = Answers(page, stuck=(503,), one=(429, 503, 200), two=(429, 200))
    put(page, "stuck", "one", "two")
    expect_shown(page, "one")
    expect_shown(page, "two")
    page.wait_for_timeout(3_000)
    assert answers.asked["stuck"] == 31, "by the page, and thirty times more"
    expect(page.get_by_role("status").filter(has_text="Pictures that are still being drawn: ")).to_have_count(0)


def test_another_address_of_a_picture_is_asked_for_though_the_one_before_failed(page: Page) -> None:
    answers = Answers(page, first=(429, 200) * 3 + (429,), second=(429, 200))
    page.evaluate("() => document.addEventListener('error', () => { window.failed = (window.failed ?? 0) + 1; }, true)")
    put(page, "first")
    page.wait_for_function("() => window.failed === 4")
    page.wait_for_timeout(500)
    assert answers.asked["first"] == 7, "it is let be after the third time"
    page.evaluate("() => { document.getElementById('first').src = '/second.png'; }")
    expect_shown(page, "first")


def test_how_many_are_still_being_drawn_is_said_where_it_takes_long(browser: Browser, narrow: str) -> None:
    context = browser.new_context(base_url=narrow, viewport={"width": 1280, "height": 2000})
    page = context.new_page()
    held: list[Route] = []
    page.route("**/thumbnail*", lambda route: held.append(route) if len(held) < PICTURES else route.continue_())
    page.goto("/sign-in?next=/sources")
    sign_in(page)
    expect(page.get_by_text(f"Pictures that are still being drawn: {PICTURES}")).to_be_visible(timeout=30_000)
    for route in held:
        route.continue_()
    expect(page.get_by_text("Pictures that are still being drawn")).to_have_count(0, timeout=60_000)
    context.close()
