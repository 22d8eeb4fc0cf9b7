"""From an empty server to a machine that prints: all of it on the pages, by keyboard alone, with a real board; and by
pointer, as far as the code for one."""

from __future__ import annotations

import re
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from machines.clock import CompressedClock, utc
from tests.browser.conftest import NOW, PASSWORD, PERSON
from tests.server.processes import process, run, wait_for_line

pytestmark = pytest.mark.browser

# Two minutes of the studio's are a second: the run begins soon, and nobody waits long for it.
RATE, LEAD, MOST_TABS, PATIENCE_MS = 120.0, timedelta(hours=1), 90, 120_000
BEGAN = time.monotonic()


class Keys:
    """Whoever has no pointer: goes to everything with the Tab key, and types."""

    def __init__(self, page: Page) -> None:
        self.page = page

    def to(self, target: Locator) -> None:
        expect(target).to_be_visible()
        for _ in range(MOST_TABS):
            if target.evaluate("element => element === document.activeElement"):
                return
            self.page.keyboard.press("Tab")
        raise AssertionError(f"the Tab key does not lead to {target}")

    def write(self, label: str, text: str) -> None:
        """Into a field, or to an option by its first letters."""
        self.to(self.page.get_by_label(label, exact=True))
        self.page.keyboard.type(text)

    def press(self, role: str, name: str | re.Pattern[str]) -> None:
        self.to(self.page.get_by_role(role, name=name, exact=True))  # type: ignore[arg-type]  # of the roles there are
        with self.page.expect_navigation():
            self.page.keyboard.press("Enter")

    def say_where(self) -> None:
        self.write("Latitude, degrees", "38.71")
        self.write("Longitude, degrees", "-9.14")
        self.write("Its clock", "Europe/Lisbon")

    def keep(self, add: str | re.Pattern[str] = "Add it") -> None:
        self.press("button", "See what that means")
        self.press("button", add)
        done = self.page.get_by_role("heading").first.inner_text()
        sys.stdout.write(f"{time.monotonic() - BEGAN:6.1f} s  {done}\n")  # seen with pytest -rP

    def say_when(self, legend: str, civil: str) -> None:
        field = self.page.get_by_role("group", name=legend, exact=True).get_by_label("Local date and time")
        self.to(field)
        field.fill(civil)  # in which order its parts are typed is the browser's and the country's


class Pointer(Keys):
    """Whoever points and presses, and types only what nobody can point at."""

    def to(self, target: Locator) -> None:
        target.click()

    def write(self, label: str, text: str) -> None:
        field = self.page.get_by_label(label, exact=True)
        if field.evaluate("element => element.tagName") == "SELECT":
            option = field.locator("option").filter(has_text=re.compile(f"^{text}")).first
            field.select_option(option.get_attribute("value"))
        else:
            super().write(label, text)

    def press(self, role: str, name: str | re.Pattern[str]) -> None:
        with self.page.expect_navigation():
            self.page.get_by_role(role, name=name, exact=True).click()  # type: ignore[arg-type]  # of the roles there are

    def say_where(self) -> None:
        """On the map, from 180 W to 180 E and from 78 N to 57 S; the clock that is proposed for there is right."""
        box = self.page.get_by_role("img", name="A map of the world").bounding_box()
        assert box is not None
        self.page.mouse.click(box["x"] + box["width"] * (180 - 9) / 360, box["y"] + box["height"] * (78 - 39) / 135)
        self.press("button", "See what that means")
        expect(self.page.get_by_text("Zones are named after these places near there: Europe/Lisbon")).to_be_visible()
        expect(self.page.get_by_label("Its clock")).to_have_value("Europe/Lisbon")


@contextmanager
def empty_server(folder: Path, clock: CompressedClock) -> Iterator[str]:
    environment = {
        "DAYROLL_HOME": str(folder / "home"),
        "DAYROLL_CLOCK": clock.as_text(),
        "DAYROLL_EXTEND_EVERY_S": "1",
        "DJANGO_SUPERUSER_PASSWORD": PASSWORD,
    }
    with process(["-m", "server", "serve", "--port", "0"], environment, folder / "log") as server:
        address = wait_for_line(server, folder / "log", "Dayroll is at").split()[-1]
        person = ["createsuperuser", "--noinput", "--username", PERSON, "--email", "keeper@example.org"]
        assert run(person, environment).returncode == 0
        yield address


def set_up(hand: Keys, clock: CompressedClock) -> str:
    """Venue, model, machine, picture and run; the code for the board."""
    hand.page.goto("/sign-in?next=/")
    hand.write("Name", PERSON)
    hand.write("Password", PASSWORD)
    hand.press("button", "Sign in")
    hand.press("link", "Add a venue")
    hand.write("What it is called", "Long Room")
    hand.say_where()
    hand.keep()
    hand.press("link", "Describe a model")
    hand.press("link", "Dunlin")
    hand.keep()
    hand.press("link", "Add a machine")
    hand.write("What it is called", "Dunlin 1")
    hand.write("Where it stands", "Long")
    hand.write("Its model", "Dunlin")
    hand.keep()
    hand.press("link", "Add a picture")
    hand.press("link", "a map")
    hand.write("What it is called", "Coasts")
    hand.keep()
    hand.press("link", "Plan a run")
    hand.write("What is printed", "Coasts")
    hand.write("On which machine", "Dunlin")
    begins = utc(clock.now()) + LEAD  # Lisbon keeps UTC in winter
    hand.say_when("It begins", f"{begins:%Y-%m-%dT%H:%M}")
    hand.say_when("It ends", f"{begins + timedelta(days=20):%Y-%m-%dT%H:%M}")
    hand.keep(re.compile("add it$", re.IGNORECASE))  # there may be something to mind
    hand.press("link", "Make a code for it")
    hand.press("button", "Make a code")
    code = re.search(r"\b[0-9A-Z]{4}-[0-9A-Z]{4}-[0-9A-Z]{4}\b", hand.page.locator("main").inner_text())
    assert code is not None
    return code[0]


def test_from_nothing_to_a_machine_that_prints_by_keyboard_alone(browser: Browser, tmp_path: Path) -> None:
    clock = CompressedClock(time.clock_gettime(time.CLOCK_BOOTTIME), NOW.timestamp(), RATE)
    with empty_server(tmp_path, clock) as address:
        page = browser.new_context(base_url=address, reduced_motion="reduce").new_page()
        code = set_up(Keys(page), clock)
        node, board = [sys.executable, "-m", "machines.node"], ["--home", str(tmp_path / "board")]
        enrol = [*node, "enrol", "--server", address, *board]
        subprocess.run(enrol, input=f"{code}\n", text=True, check=True, capture_output=True)
        environment = {"DAYROLL_CLOCK": clock.as_text()}
        with process(["-m", "machines.node", "run", *board], environment, tmp_path / "board.log"):
            page.goto("/")
            expect(page.get_by_text("printing", exact=True)).to_be_visible(timeout=PATIENCE_MS)
            expect(page.locator("image.laid")).to_have_count(1, timeout=PATIENCE_MS)


def test_from_nothing_to_a_code_for_a_board_by_pointer(browser: Browser, tmp_path: Path) -> None:
    clock = CompressedClock(time.clock_gettime(time.CLOCK_BOOTTIME), NOW.timestamp(), 1.0)
    with empty_server(tmp_path, clock) as address:
        page = browser.new_context(base_url=address, reduced_motion="reduce").new_page()
        assert set_up(Pointer(page), clock)
