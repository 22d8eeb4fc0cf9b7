"""Storms: what a node is answered, and how soon, while very many strangers ask for what costs most."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass

import urllib3

from tests.attack.crowd import begin, finish
from tests.attack.remote import LOOPBACK, PATIENCE_S
from tests.attack.row import Row
from tests.attack.target import Target

READERS, DRIPS = 16, 200
CLOCK_P99_S = 0.5
ASK_EVERY_S = 0.05
SKY = "civil-dawn,civil-dusk,nautical-dawn,nautical-dusk,sunset"
DEAREST = f"/api/v1/venues/quay/calendar.ics?back=P92D&ahead=P366D&sky={SKY}"
# As dear, and no two of them the same, so that nothing kept helps.
ALL_OTHERS = tuple(
    f"/api/v1/venues/{venue}/calendar.ics?back=P{days}D&ahead=P366D&sky={SKY}"
    for days in range(60, 92)
    for venue in ("quay", "shed")
)
# What a wall shows, and what whoever writes a program reads.
PAGES = ("/", "/overview", "/venues/quay/today", "/machines/wren-1/now", "/venues/shed/today", "/sign-in")
DESCRIPTION = ("/api/v1/schema", "/api/v1/reference", "/api/v1/problems/busy")


@dataclass(frozen=True)
class Storm:
    """Who asks for what at once."""

    what: str
    paths: Sequence[str] = ()
    readers: int = 0
    drips: int = 0
    most_s: float = CLOCK_P99_S


STORMS = (
    Storm("node/clock, nobody else"),
    Storm("node/clock, 16 readers of the dearest calendar, 200 drips", (DEAREST,), READERS, DRIPS),
    Storm("node/clock, 16 readers of 64 other dear calendars, 200 drips", ALL_OTHERS, READERS, DRIPS),
    Storm("node/clock, 16 readers of pages", PAGES, READERS),
    Storm("node/clock, 16 readers of the description", DESCRIPTION, READERS),
    # More connections than there are: each of a node's has to be made anew.
    Storm("node/clock, 1200 drips", (), 0, 1200, most_s=2.0),
)


def storms(target: Target, seconds: float) -> list[Row]:
    """Each storm for so long."""
    return [_in(storm, target, seconds) for storm in STORMS]


def _in(storm: Storm, target: Target, seconds: float) -> Row:
    row = Row(storm.what, most_s=storm.most_s)
    crowd = begin(target.port, seconds + 1.0, storm.readers, storm.drips, storm.paths)
    time.sleep(1.0)
    _ask_the_time(target, seconds, row)
    told = finish(crowd)
    row.figures |= told
    for status, count in told["statuses"].items():
        if status not in ("200", "302", "429"):
            row.errors.append(f"{count} readers were answered {status}")
    return row


def _ask_the_time(target: Target, seconds: float, row: Row) -> None:
    """As a node asks: over a connection that is kept, and over a new one where that was closed."""
    pool = urllib3.HTTPConnectionPool(LOOPBACK, target.port, maxsize=1, timeout=PATIENCE_S, retries=False)
    heads = {"Authorization": f"Bearer {target.honest.token}"}
    until, turn = time.monotonic() + seconds, 0
    while time.monotonic() < until:
        began = time.monotonic()
        try:
            close = {"Connection": "close"} if turn % 2 else {}
            status = pool.request("GET", "/api/v1/node/clock", headers=heads | close).status
        except urllib3.exceptions.HTTPError:
            status = 0
        row.answered(status, time.monotonic() - began, "node/clock")
        if status not in (0, 200):
            row.wrong.append(f"a good token was answered {status}")
        turn += 1
        time.sleep(ASK_EVERY_S)
