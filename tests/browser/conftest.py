"""The console in a real browser, served by a real server that three days of a small studio have been told to."""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

import pytest
import urllib3
from playwright.sync_api import Browser, Page, sync_playwright

from machines.clock import CompressedClock
from machines.protocol.messages import Work
from tests.server.processes import process, run, wait_for_line
from tests.server.studio import BEGINS, FAR_VENUE, IN_ORDER, SERVICE_WINDOW, printed

HEIGHT = 844
PERSON, PASSWORD = "keeper", "a password for the tests"
# Nothing but what the page itself asks for, and no sandbox, which root may not have.
FLAGS = [
    "--no-sandbox",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]
# The studio's time when the tests begin, half past ten at night; what the node has told is from noon to seven.
NOW = BEGINS + timedelta(hours=16, minutes=30)


@dataclass
class Site:
    """A server with a studio in it.

    Attributes:
        work: what the node was given.
        reported: how many segments it has said are printed.
        entries: how many entries of its journal it has told.
        environment: that the server runs in.
    """

    address: str
    key: str
    environment: dict[str, str]
    token: str = ""
    work: Work | None = None
    reported: int = 0
    entries: int = 0
    pool: urllib3.PoolManager = field(default_factory=lambda: urllib3.PoolManager(retries=False, timeout=20.0))

    def call(self, method: str, path: str, body: Any = None, token: str | None = None) -> Any:
        """Call the API and read the answer, which must be a good one."""
        headers = {"Authorization": f"Bearer {token or self.key}"} | ({"If-Match": "*"} if method == "PUT" else {})
        answer = self.pool.request(method, f"{self.address}api/v1/{path}", headers=headers, json=body)
        assert answer.status in (200, 201), answer.data
        return json.loads(answer.data)

    def report(self, segments: int) -> None:
        """As the node: the next segments are on the paper."""
        assert self.work is not None
        first = self.reported + 1
        laid = [printed(self.work, number) for number in range(first, first + segments)]
        self._tell([one | {"seq": self.entries + index} for index, one in enumerate(laid, 1)])
        self.reported += segments

    def say_where_its_panel_is(self) -> None:
        """As the node: how it is."""
        status = {
            "at": NOW.isoformat(),
            "next_column": None,
            "paper_position": self.call("GET", "machines/wren-1")["paper_position"],
            "clock_error_s": 0.1,
            "knife_armed": False,
            "held_until": None,
            "panel": "http://machine-7.local:8437",
        }
        self.call("POST", "node/reports", {"epoch": 1, "entries": [], "status": status}, self.token)

    def act(self, action: str) -> None:
        """As the node: a person at the machine did something."""
        assert self.work is not None
        at = self.work.segments[self.reported].knots[0].isoformat()
        self._tell([{"kind": "operator-acted", "seq": self.entries + 1, "at": at, "action": action}])

    def _tell(self, entries: list[dict[str, Any]]) -> None:
        self.call("POST", "node/reports", {"epoch": 1, "entries": entries}, self.token)
        self.entries += len(entries)


@pytest.fixture(scope="session")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """The server, furnished, with seven segments printed."""
    folder = tmp_path_factory.mktemp("browser")
    clock = CompressedClock(time.clock_gettime(time.CLOCK_BOOTTIME), NOW.timestamp(), 1.0)
    environment = {
        "DAYROLL_HOME": str(folder / "home"),
        "DAYROLL_CLOCK": clock.as_text(),
        "DAYROLL_HORIZON_H": "24",
        "DAYROLL_EXTEND_EVERY_S": "1",
        "DJANGO_SUPERUSER_PASSWORD": PASSWORD,
    }
    log = folder / "log"
    with process(["-m", "server", "serve", "--port", "0"], environment, log) as server:
        address = wait_for_line(server, log, "Dayroll is at").split()[-1]
        site = Site(address, run(["studio-key", "browser"], environment).stdout.strip(), environment)
        person = ["createsuperuser", "--noinput", "--username", PERSON, "--email", "keeper@example.org"]
        assert run(person, environment).returncode == 0
        _furnish(site)
        wait_for_line(server, log, "job extend-plans: ")
        site.work = Work.from_json(site.call("GET", "node/work?horizon=P1D", token=site.token))
        site.report(7)
        site.say_where_its_panel_is()
        yield site


def _furnish(site: Site) -> None:
    for resource, body in (*IN_ORDER, ("venues", FAR_VENUE), ("service-windows", SERVICE_WINDOW)):
        # Three days of it are over: what a board told meanwhile is told in a moment.
        site.call("POST", resource, body | ({"begins_in_the_past": True} if resource == "runs" else {}))
    on_call = {"role": "technician", "name": "Night desk", "telephone": "+351 21 555 01 42", "when": "day and night"}
    site.call("PUT", "venues/quay/contacts", {"contacts": [on_call, {"role": "studio", "email": "us@wren.example"}]})
    code = site.call("POST", "machines/wren-1/enrolment")["code"]
    site.token = site.call("POST", "node/enrol", {"code": code})["token"]


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Debian's Chromium."""
    program = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    if program is None:
        pytest.skip("Chromium is missing; on Debian: apt-get install chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=FLAGS)
        yield browser
        browser.close()


@dataclass
class Seen:
    """A page, and what went wrong on it.

    Attributes:
        page: at the width asked for.
        errors: what the browser complained about.
        asked: addresses that it asked for.
    """

    page: Page
    errors: list[str]
    asked: list[str]


@pytest.fixture
def phone(browser: Browser, site: Site) -> Iterator[Seen]:
    """A page on a phone; nothing may go wrong on it."""
    with _watched(browser, site, 390) as seen:
        yield seen


@pytest.fixture
def desk(browser: Browser, site: Site) -> Iterator[Seen]:
    """A page on a desk; nothing may go wrong on it."""
    with _watched(browser, site, 1280) as seen:
        yield seen


@contextmanager
def _watched(browser: Browser, site: Site, width: int) -> Iterator[Seen]:
    """A fresh browser context with one page, watched."""
    context = browser.new_context(
        base_url=site.address, viewport={"width": width, "height": HEIGHT}, reduced_motion="reduce"
    )
    seen = Seen(context.new_page(), [], [])
    seen.page.on("console", lambda said: seen.errors.append(said.text) if said.type == "error" else None)
    seen.page.on("pageerror", lambda error: seen.errors.append(str(error)))
    seen.page.on("request", lambda asked: seen.asked.append(asked.url))
    try:
        yield seen
    finally:
        context.close()
    assert seen.errors == []
    assert [url for url in seen.asked if not url.startswith(site.address)] == []
