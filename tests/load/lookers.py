"""Who else asks the server meanwhile: a console that stands open, and a calendar program at each venue."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import unescape
from random import Random

import urllib3

from tests.load.figures import Figures

PATIENCE_S = 60.0
# As often as `console.js` where the page does not say.
TAB_EVERY_S = 4.0
# As it waits after an answer that took long.
TIMES_AS_LONG = 4
# A calendar program asks once in an hour or so; here often enough to be measured.
CALENDAR_EVERY_S = (60.0, 120.0)


@dataclass
class Looker:
    """Asks for addresses again and again, each with the tag of what came last.

    Attributes:
        server: its address.
        figures: what is measured, written by the looker's own thread alone.
    """

    server: str
    figures: Figures = field(default_factory=Figures)
    _pool: urllib3.PoolManager = field(default_factory=lambda: urllib3.PoolManager(retries=False, timeout=PATIENCE_S))
    _tags: dict[str, str] = field(default_factory=dict)

    def look(self, kind: str, path: str) -> tuple[str, float]:
        """What came, empty where nothing changed or there was no answer; and how long it took, seconds."""
        began_s, tag = time.perf_counter(), self._tags.get(path)
        try:
            heads = {} if not tag else {"If-None-Match": tag}
            answer = self._pool.request("GET", self.server + path, headers=heads)
        except urllib3.exceptions.HTTPError as error:
            self.figures.failed[f"{kind}: {type(error).__name__}"] += 1
            return "", time.perf_counter() - began_s
        took_s = time.perf_counter() - began_s
        if answer.status not in (200, 304):
            self.figures.failed[f"{kind}: {answer.status}"] += 1
            return "", took_s
        self.figures.took(f"{kind} {answer.status}", took_s)
        self._tags[path] = answer.headers.get("ETag", "")
        return answer.data.decode(), took_s


def tab(looker: Looker, stopping: threading.Event) -> None:
    """The first page, and what its script asks for as long as it is open."""
    page, _ = looker.look("console", "/")
    address = re.search(r'id="overview" data-address="([^"]+)"', page)
    path = "/overview" if address is None else unescape(address[1])
    took_s = 0.0
    while not stopping.wait(max(TAB_EVERY_S, TIMES_AS_LONG * took_s)):
        _, took_s = looker.look("overview", path)


def calendars(looker: Looker, venues: Sequence[str], stopping: threading.Event) -> None:
    """A calendar program for each venue."""
    dice = Random(len(venues))
    due = {venue: time.monotonic() + dice.uniform(0.0, CALENDAR_EVERY_S[0]) for venue in venues}
    while not stopping.wait(max(0.0, min(due.values()) - time.monotonic())):
        venue = min(due, key=due.__getitem__)
        looker.look("calendar", f"/api/v1/venues/{venue}/calendar.ics")
        due[venue] = time.monotonic() + dice.uniform(*CALENDAR_EVERY_S)
