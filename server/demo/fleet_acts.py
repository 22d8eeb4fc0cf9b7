"""What goes wrong inside of a fleet while the day passes, and whether all of it works on afterwards.

The libraries of PostgreSQL, Redis and stores of objects are asked for only there: the demonstration of one computer
does without them.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import parse_qs, unquote, urlsplit

from machines.clock import SystemClock, utc
from server.demo.acceptance import Promise
from server.demo.acts import Act
from server.demo.processes import PATIENCE_S
from server.demo.server_parts import Served, Stores
from server.demo.stage import Stage

_CUT = "SELECT count(pg_terminate_backend(pid)) FROM pg_stat_activity WHERE datname = current_database() AND pid <> %s"
_OPEN = (
    "SELECT DISTINCT plate FROM log_segment WHERE state <> 'withdrawn' "
    "AND first_column + printed + skipped + unknown < end_column"
)
LOOK_EVERY_S = 0.5


@dataclass(frozen=True)
class Faults:
    """When what goes wrong, hours after the runs begin: while nothing else happens, or beside what happens at machines,
    which it must not change.

    Attributes:
        database_cut_h: each connection to the database is cut.
        drawer_killed_h, web_killed_h: who draws, and who answers nodes, is killed and started again.
        plates_lost_h: the store loses every plate that is still to be printed from.
        broker_emptied_h: what waits for somebody to work on it is lost.
    """

    database_cut_h: float
    drawer_killed_h: float
    plates_lost_h: float
    web_killed_h: float
    broker_emptied_h: float


FAULTS = Faults(database_cut_h=5.5, drawer_killed_h=6.25, plates_lost_h=8.75, web_killed_h=10.0, broker_emptied_h=14.25)


def fleet_acts(stage: Stage) -> list[Act]:
    """What goes wrong when, in order; nothing where the server is no fleet."""
    stores = stage.server.stores
    if stores is None:
        return []
    hours, parts = FAULTS, {child.name: child for child in stage.server.children}

    def kill(name: str) -> Callable[[], None]:
        def killed() -> None:
            parts[name].kill()
            parts[name].start()

        return killed

    planned = [
        (hours.database_cut_h, "each connection of the database is cut, as when another takes over", _cut(stores)),
        (hours.drawer_killed_h, "who plans and draws is killed (SIGKILL) and started again", kill("the drawer")),
        (hours.plates_lost_h, "the store loses every plate that is still needed", _plates_lost(stores)),
        (hours.web_killed_h, "who answers nodes is killed (SIGKILL) and started again", kill("the nodes-web")),
        (hours.broker_emptied_h, "the broker loses all that it held", _emptied(stores)),
    ]
    return [Act(stage.begins + timedelta(hours=hour), words, _noted(stage, do)) for hour, words, do in planned]


def _cut(stores: Stores) -> Callable[[], None]:
    def cut() -> None:
        from psycopg import connect

        with connect(stores.database, autocommit=True) as connection:
            connection.execute(_CUT, (connection.info.backend_pid,))

    return cut


def _emptied(stores: Stores) -> Callable[[], None]:
    def emptied() -> None:
        from redis import Redis

        Redis.from_url(stores.broker).flushall()

    return emptied


def _plates_lost(stores: Stores) -> Callable[[], None]:
    def lost() -> None:
        client, name = _store(stores)
        for digest in _digests(stores, _OPEN):
            client.delete_object(Bucket=name, Key=_key(digest))

    return lost


def _store(stores: Stores) -> tuple[Any, str]:
    """Somebody who asks the store of objects, and the bucket; not as the server does it."""
    import boto3

    parts = urlsplit(stores.objects)
    client = boto3.client(
        "s3",
        endpoint_url=parse_qs(parts.query)["endpoint"][0],
        aws_access_key_id=unquote(parts.username or ""),
        aws_secret_access_key=unquote(parts.password or ""),
        region_name="us-east-1",
    )
    return client, parts.hostname or ""


def _key(digest: str) -> str:
    return f"plates/{digest[:2]}/{digest}.png"


def _digests(stores: Stores, query: str) -> list[str]:
    from psycopg import connect

    with connect(stores.database) as connection:
        return [digest for (digest,) in connection.execute(query).fetchall()]


def _lost(stores: Stores) -> list[str]:
    """The plates that were planned and are not in the store."""
    client, name = _store(stores)
    pages = client.get_paginator("list_objects_v2").paginate(Bucket=name, Prefix="plates/")
    there = {one["Key"] for page in pages for one in page.get("Contents", ())}
    return [
        digest for digest in _digests(stores, "SELECT DISTINCT plate FROM log_segment") if _key(digest) not in there
    ]


def _noted(stage: Stage, do: Callable[[], None]) -> Callable[[], None]:
    def noted() -> None:
        do()
        stage.fault_at = utc(SystemClock().now())

    return noted


def works_on(stage: Stage) -> list[Promise]:
    """After the last fault, each job of the server's own was done again; no promise where the server is no fleet."""
    if stage.server.stores is None:
        return []
    deadline = time.monotonic() + PATIENCE_S
    while (late := _not_done_since(stage.server, stage.fault_at)) and time.monotonic() < deadline:
        time.sleep(LOOK_EVERY_S)
    stores = stage.server.stores
    return [judged(late, stage.fault_at, _lost(stores))]


def judged(late: Mapping[str, datetime | None], fault_at: datetime | None, lost: Sequence[str] = ()) -> Promise:
    """Whether nothing is late, and no plate is lost.

    Args:
        late: jobs that were not done since the last fault, by name, with when they were done last.
        fault_at: when that was; without one there was none, and nothing is shown.
        lost: the plates that were planned and are not in the store.
    """
    measured = {"was a fault": fault_at is not None, "not done since": sorted(late), "plates lost": len(lost)}
    return Promise("fleet-works-on", fault_at is not None and not late and not lost, measured)


def _not_done_since(server: Served, at: datetime | None) -> dict[str, datetime | None]:
    from psycopg import connect

    assert server.stores is not None
    with connect(server.stores.database) as connection:
        rows = connection.execute("SELECT name, done_at FROM log_ownwork").fetchall()
    return {name: done_at for name, done_at in rows if at is None or done_at is None or done_at <= at}
