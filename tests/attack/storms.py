"""Storms: what a node is answered, and how soon, while very many strangers ask for what costs most."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import urllib3

from tests.attack.crowd import begin, finish
from tests.attack.remote import LOOPBACK
from tests.attack.row import Row
from tests.attack.target import Target

READERS, DRIPS = 16, 200
CLOSED = -1
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
ALL_TAKEN = "connections are taken; the longest waiting give way"
# What a wall shows, and what whoever writes a program reads.
PAGES = ("/", "/overview", "/venues/quay/today", "/machines/wren-1/now", "/venues/shed/today", "/sign-in")
DESCRIPTION = ("/api/v1/schema", "/api/v1/reference", "/api/v1/problems/busy")


@dataclass(frozen=True)
class Storm:
    """Who asks for what at once; and whether they take all connections, so that the server closes some."""

    what: str
    paths: Sequence[str] = ()
    readers: int = 0
    drips: int = 0
    takes_all: bool = False
    most_s: float = CLOCK_P99_S


STORMS = (
    Storm("node/clock, nobody else"),
    Storm("node/clock, 16 readers of the dearest calendar, 200 drips", (DEAREST,), READERS, DRIPS),
    Storm("node/clock, 16 readers of 64 other dear calendars, 200 drips", ALL_OTHERS, READERS, DRIPS),
    Storm("node/clock, 16 readers of pages", PAGES, READERS),
    Storm("node/clock, 16 readers of the description", DESCRIPTION, READERS),
    # More connections than there are: each of a node's has to be made anew.
    Storm("node/clock, 1200 drips", (), 0, 1200, takes_all=True, most_s=2.0),
)


def storms(target: Target, seconds: float) -> list[Row]:
    """Each storm for so long."""
    return [_in(storm, target, seconds) for storm in STORMS]


def _in(storm: Storm, target: Target, seconds: float) -> Row:
    row = Row(storm.what, most_s=storm.most_s)
    said = len(target.log.read_bytes())
    crowd = begin(target.wire, seconds, storm.readers, storm.drips, storm.paths)
    _ask_the_time(target, seconds, row, storm.takes_all)
    judge(row, storm, finish(crowd), target.log.read_bytes()[said:].decode(errors="replace"))
    return row


def judge(row: Row, storm: Storm, told: dict[str, Any], said: str) -> None:
    """What the crowd was answered, and whether it was there at all.

    Args:
        row: of the storm.
        storm: as it was promised.
        told: by the crowd.
        said: by the server meanwhile.
    """
    row.figures |= told
    for status, count in told["statuses"].items():
        if status not in ("200", "302", "429", "503"):
            row.errors.append(f"{count} readers were answered {status}")
    if told["most_dripping"] < storm.drips:
        row.errors.append(f"{told['most_dripping']} connections dripped at once, promised were {storm.drips}")
    if storm.takes_all and ALL_TAKEN not in said:
        row.errors.append("the server did not say that all connections were taken")


def _ask_the_time(target: Target, seconds: float, row: Row, may_be_closed: bool) -> None:
    """As a node asks: over a connection that is kept, and over a new one where that was closed.

    Where the server closes connections to make room, the one that is kept may be among them as the next question
    leaves. A node asks again then, and so does this, once.
    """
    patience_s = target.honest.patience_s
    pool = urllib3.HTTPConnectionPool(LOOPBACK, target.port, maxsize=1, timeout=patience_s, retries=False)
    heads = {"Authorization": f"Bearer {target.honest.token}"}
    until, turn, again = time.monotonic() + seconds, 0, 0
    while time.monotonic() < until:
        began = time.monotonic()
        sent = heads | ({"Connection": "close"} if turn % 2 else {})
        status = _asked(pool, sent)
        if status == CLOSED and may_be_closed:
            again += 1
            status = _asked(pool, sent)
        row.answered(max(status, 0), time.monotonic() - began, "node/clock")
        if status not in (CLOSED, 0, 200):
            row.wrong.append(f"a good token was answered {status}")
        turn += 1
        time.sleep(ASK_EVERY_S)
    row.figures["asked_again"] = again


def _asked(pool: urllib3.HTTPConnectionPool, heads: dict[str, str]) -> int:
    """The status of an answer, `CLOSED` where the connection was closed before one came, and 0 where none came."""
    try:
        return pool.request("GET", "/api/v1/node/clock", headers=heads).status
    except urllib3.exceptions.ProtocolError:
        return CLOSED
    except urllib3.exceptions.HTTPError:
        return 0
