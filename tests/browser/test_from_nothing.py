"""From an empty server to a machine that prints: all of it on the pages, by keyboard alone, with a real board."""

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


def to(page: Page, target: Locator) -> None:
    """Go there with the Tab key alone; whoever has no pointer does."""
    expect(target).to_be_visible()
    for _ in range(MOST_TABS):
        if target.evaluate("element => element === document.activeElement"):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"the Tab key does not lead to {target}")


def write(page: Page, label: str, text: str) -> None:
    """Into a field, or to an option by its first letters."""
    to(page, page.get_by_label(label, exact=True))
    page.keyboard.type(text)


def press(page: Page, role: str, name: str | re.Pattern[str]) -> None:
    to(page, page.get_by_role(role, name=name, exact=True))  # type: ignore[arg-type]  # of the roles that there are
    with page.expect_navigation():
        page.keyboard.press("Enter")


def keep(page: Page, add: str | re.Pattern[str] = "Add it") -> None:
    press(page, "button", "See what that means")
    press(page, "button", add)
    done = page.get_by_role("heading").first.inner_text()
    sys.stdout.write(f"{time.monotonic() - BEGAN:6.1f} s  {done}\n")  # seen with pytest -rP


def say_when(page: Page, legend: str, civil: str) -> None:
    field = page.get_by_role("group", name=legend, exact=True).get_by_label("Local date and time")
    to(page, field)
    field.fill(civil)  # in which order its parts are typed is the browser's and the country's


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


def set_up(page: Page, clock: CompressedClock) -> str:
    """Venue, model, machine, picture and run; the code for the board."""
    page.goto("/sign-in?next=/")
    write(page, "Name", PERSON)
    write(page, "Password", PASSWORD)
    press(page, "button", "Sign in")
    press(page, "link", "Add a venue")
    write(page, "What it is called", "Long Room")
    write(page, "Latitude, degrees", "38.71")
    write(page, "Longitude, degrees", "-9.14")
    write(page, "Its clock", "Europe/Lisbon")
    keep(page)
    press(page, "link", "Describe a model")
    press(page, "link", "Dunlin")
    keep(page)
    press(page, "link", "Add a machine")
    write(page, "What it is called", "Dunlin 1")
    write(page, "Where it stands", "Long")
    write(page, "Its model", "Dunlin")
    keep(page)
    press(page, "link", "Add a picture")
    press(page, "link", "a map")
    write(page, "What it is called", "Coasts")
    keep(page)
    press(page, "link", "Plan a run")
    write(page, "What is printed", "Coasts")
    write(page, "On which machine", "Dunlin")
    begins = utc(clock.now()) + LEAD  # Lisbon keeps UTC in winter
    say_when(page, "It begins", f"{begins:%Y-%m-%dT%H:%M}")
    say_when(page, "It ends", f"{begins + timedelta(days=20):%Y-%m-%dT%H:%M}")
    keep(page, re.compile("add it$", re.IGNORECASE))  # there may be something to mind
    press(page, "link", "Make a code for it")
    press(page, "button", "Make a code")
    code = re.search(r"\b[0-9A-Z]{4}-[0-9A-Z]{4}-[0-9A-Z]{4}\b", page.locator("main").inner_text())
    assert code is not None
    return code[0]


def test_from_nothing_to_a_machine_that_prints_by_keyboard_alone(browser: Browser, tmp_path: Path) -> None:
    clock = CompressedClock(time.clock_gettime(time.CLOCK_BOOTTIME), NOW.timestamp(), RATE)
    with empty_server(tmp_path, clock) as address:
        page = browser.new_context(base_url=address, reduced_motion="reduce").new_page()
        code = set_up(page, clock)
        node, board = [sys.executable, "-m", "machines.node"], ["--home", str(tmp_path / "board")]
        enrol = [*node, "enrol", "--server", address, *board]
        subprocess.run(enrol, input=f"{code}\n", text=True, check=True, capture_output=True)
        environment = {"DAYROLL_CLOCK": clock.as_text()}
        with process(["-m", "machines.node", "run", *board], environment, tmp_path / "board.log"):
            page.goto("/")
            expect(page.get_by_text("printing", exact=True)).to_be_visible(timeout=PATIENCE_MS)
            expect(page.locator("image.laid")).to_have_count(1, timeout=PATIENCE_MS)
