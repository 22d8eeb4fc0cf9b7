"""The measurements of `tests.benchmarks.calls`, as JSON on standard output."""
# ruff: noqa: E402 (Django wants to be set up before models are imported)

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "server.settings")

import django
from django.conf import settings
from django.core.management import call_command
from django.db import connection
from django.db.models import F, Sum
from django.http import HttpRequest, HttpResponse
from django.urls import path as address

settings.DATABASES["default"]["CONN_MAX_AGE"] = None  # one thread asks, call after call, as a server's does
django.setup()

from machines.protocol.journal_entries import ColumnsPrinted, SetTimeCompared
from machines.protocol.messages import Reports, Status
from machines.recovery import Columns
from scheduling.background.extend_plans import extend_plans
from scheduling.log.models import PrintedStretch, Run, Segment
from scheduling.log.rows.row_sql import table
from scheduling.rendering.plate_store import PlateStore
from server import urls, wiring
from server.accounts.enrolment import make_code, redeem
from tests.benchmarks.log_rounds import Raw
from tests.scheduling.house import NOON, by, furnish, plan
from tests.simulated.served import answer_of

ROUNDS = 400
BATCH, BATCHES = 100, 40
REPORTS_A_SEGMENT = 4
RUNS, LOOKS = 1000, 60
# What is promised of a look whether any of them is due: processor's time, seconds, and questions to the database.
IDLE_S, MOST_QUERIES = 0.02, 3
WEEK = timedelta(days=7)
STATUS = Status(at=NOON, next_column=0, paper_position=0, clock_error_s=0.1, knife_armed=False, held_until=None)


def main() -> None:
    call_command("migrate", verbosity=0)
    urls.urlpatterns.insert(0, address("bare", _bare))  # found before all others
    furnish()
    now, plates = wiring.now(), wiring.plates()
    plan(starts_at=now.isoformat(), ends_at=(now + timedelta(days=30)).isoformat())
    extend_plans(now, WEEK, plates)
    node = Node(redeem(make_code("one", by(at=now)).code, None, now).token)
    measured = [
        _row("node-clock", _lives, node.clock, ROUNDS, 0.4),
        _row("poll-304", _reads, node.poll, ROUNDS, 0.7),
        _row("report-none", _lives, node.report_nothing, ROUNDS, 0.2),
        _row("report-one", _lives, node.report_one, ROUNDS, 0.12),
        _reports(node, raw := Raw()),
        _printed(node, raw),
        _idle(now, plates),
    ]
    sys.stdout.write(json.dumps(measured))


class Node:
    """A board whose token is good."""

    def __init__(self, token: str) -> None:
        self._headers = {"Authorization": f"Bearer {token}"}
        self._seq = 0
        self._tag = dict(self._call("GET", "work?horizon=P7D", 200).headers)["ETag"]

    def clock(self) -> None:
        self._call("GET", "clock", 200)

    def poll(self) -> None:
        self._call("GET", "work?horizon=P7D", 304, {"If-None-Match": self._tag})

    def report_nothing(self) -> None:
        self.report(self.batch(0))

    def report_one(self) -> None:
        self.report(self.batch(1))

    def report(self, batch: bytes) -> None:
        self._call("POST", "reports", 200, {"Content-Type": "application/json"}, batch)

    def batch(self, count: int) -> bytes:
        """The next entries of its journal, as they are sent."""
        first = SetTimeCompared(seq=self._seq + 1, at=NOON, ahead_s=0.1, error_s=0.5)
        entries = tuple(replace(first, seq=first.seq + number) for number in range(count))
        self._seq += count
        return json.dumps(Reports(epoch=1, entries=entries, status=STATUS).as_json()).encode()

    def printed(self, run: str, parts: Iterable[tuple[int, int, int]]) -> bytes:
        """The next entries of its journal: that parts of segments lie on the paper, one behind the other."""
        entries = []
        for segment, first, end in parts:
            self._seq += 1
            entries.append(
                ColumnsPrinted(
                    seq=self._seq,
                    at=NOON,
                    run=run,
                    segment=segment,
                    columns=Columns(first=first, end=end),
                    columns_done=end - first,
                    paper_position=first,
                    worst_miss_s=0.0123,
                )
            )
        return json.dumps(Reports(epoch=1, entries=tuple(entries), status=STATUS).as_json()).encode()

    def _call(
        self, method: str, path: str, status: int, headers: dict[str, str] | None = None, body: bytes = b""
    ) -> Any:
        answer = answer_of(method, f"/api/v1/node/{path}", body, self._headers | (headers or {}))
        assert answer.status == status, answer.body
        return answer


def _bare(_: HttpRequest) -> HttpResponse:
    """As little as a view with a database can do."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT epoch FROM log_machine WHERE id = %s", ("one",))
        return HttpResponse(str(cursor.fetchone()[0]))


def _reads() -> None:
    assert answer_of("GET", "/bare", b"", {}).status == 200


def _lives() -> None:
    assert answer_of("GET", "/livez", b"", {}).status == 200


def _reports(node: Node, raw: Raw) -> dict[str, Any]:
    batches = [node.batch(BATCH) for _ in range(BATCHES)]
    return _against_raw("report-batch", node, raw, batches, 0.18)


def _printed(node: Node, raw: Raw) -> dict[str, Any]:
    """What boards tell most, in as many reports as a segment of that size is told in."""
    run = Run.objects.get()
    told = [part for one in Segment.objects.order_by("number") for part in _parts(one)]
    batches = [node.printed(run.id, told[at : at + BATCH]) for at in range(0, len(told) - BATCH, BATCH)]
    found = _against_raw("report-columns", node, raw, batches, 0.08)
    run.refresh_from_db()
    assert run.printed == PrintedStretch.objects.aggregate(of=Sum(F("end_column") - F("first_column")))["of"] > 0
    return found


def _parts(segment: Segment) -> list[tuple[int, int, int]]:
    """The number of a segment, and from which to which column each of its reports tells."""
    columns = segment.end_column - segment.first_column
    edges = [segment.first_column + columns * part // REPORTS_A_SEGMENT for part in range(REPORTS_A_SEGMENT + 1)]
    return [(segment.number, first, end) for first, end in pairwise(edges) if first < end]


def _against_raw(name: str, node: Node, raw: Raw, batches: list[bytes], goal: float) -> dict[str, Any]:
    raw.empty()
    node.report(batches.pop(0))
    with connection.cursor() as cursor:
        cursor.execute("SELECT * FROM log_event ORDER BY position DESC LIMIT %s", (BATCH,))
        told = cursor.fetchall()
    raws = iter(
        [
            [(place * BATCH + row[0], row[1], place * BATCH + row[2], *row[3:]) for row in told]
            for place in range(BATCHES)
        ]
    )
    mine = iter(batches)
    return _row(name, lambda: raw.insert(next(raws)), lambda: node.report(next(mine)), len(batches), goal)


def _idle(now: datetime, plates: PlateStore) -> dict[str, Any]:
    """A thousand runs on as many machines, each planned a week ahead and not to its end."""
    runs, segments = table(Run, "default"), table(Segment, "default")
    (run,), planned = map(_columns, Run.objects.all()), [_columns(one) for one in Segment.objects.order_by("number")]
    for first in range(1, RUNS, 100):
        ids = [f"run-{number}" for number in range(first, min(first + 100, RUNS))]
        runs.write([runs.row(run | {"id": id, "machine_id": f"of-{id}"}) for id in ids])
        segments.write([segments.row(one | {"run_id": id}) for id in ids for one in planned])

    def extend() -> None:
        assert extend_plans(now + timedelta(minutes=1), WEEK, plates) == 0

    asked: list[str] = []
    with connection.execute_wrapper(lambda execute, sql, *more: asked.append(sql) or execute(sql, *more)):
        extend()
    assert len(asked) <= MOST_QUERIES, asked
    found = _row("extend-idle-1000", lambda: None, extend, LOOKS, 1.0)
    return found | {"baseline": IDLE_S}


def _columns(row: Any) -> dict[str, Any]:
    return {name: value for name, value in vars(row).items() if name != "_state"}


def _row(name: str, baseline: Callable[[], None], ours: Callable[[], None], times: int, goal: float) -> dict[str, Any]:
    took: tuple[list[float], list[float]] = ([], [])
    for _ in range(times):
        for work, found in zip((baseline, ours), took, strict=True):
            began_s = time.process_time()
            work()
            found.append(time.process_time() - began_s)
    fastest = [sorted(found)[len(found) // 10] for found in took]
    return {"name": name, "baseline": fastest[0], "ours": fastest[1], "goal": goal}


if __name__ == "__main__":
    main()
