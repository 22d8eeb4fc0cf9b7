"""The measurements of `tests.benchmarks.log` on the database that the environment names, as JSON on standard output."""
# ruff: noqa: E402 (Django wants to be set up before models are imported)

from __future__ import annotations

import itertools
import json
import os
import sqlite3
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any
from unittest.mock import patch

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "server.settings")

import django
import psycopg
from django.conf import settings
from django.core.management import call_command
from django.db import connection
from django.db.models import Q

django.setup()

from machines.protocol.journal_entries import ColumnsPrinted
from machines.protocol.messages import Reports
from machines.recovery import Columns
from scheduling.log import models
from scheduling.log.event_records import EventRecord, insert, scan
from scheduling.log.projecting import projector
from scheduling.log.projecting.folding import folded
from scheduling.log.projections import VIEWS
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.store import Append, append, last_position
from scheduling.nodes.received_entries import read_batch
from scheduling.nodes.reports import take
from tests.scheduling.log.facts import COLUMNS_PER_SEGMENT, a_run_on_a_machine, at, by, run, say, segments

ONES = 200
BATCH = 100
BATCHES = 40
SEGMENTS_A_TURN = 48
REPORTS_OF_PARTS = 4000
REPORTS_A_SEGMENT = 4
# As many as are reported, in whole turns.
SEGMENTS = 9600 + 9 * SEGMENTS_A_TURN
EVENTS_OF_A_RUN = 100_000
PAGE = 100


class Raw:
    """The driver alone, with the table of events as it is but for the triggers."""

    def __init__(self) -> None:
        if connection.vendor == "sqlite":
            self._connection: Any = sqlite3.connect(Path(settings.HOME) / "raw.sqlite3", isolation_level=None)
            self._connection.execute("PRAGMA journal_mode=WAL")
            self._connection.execute("PRAGMA synchronous=FULL")
            for sql in _values("SELECT sql FROM sqlite_master WHERE tbl_name = 'log_event' AND type <> 'trigger'"):
                if sql is not None:
                    self._connection.execute(sql)
            self._insert = f"INSERT INTO log_event VALUES ({', '.join('?' * len(EventRecord._fields))})"
            self._begin, self._table = "BEGIN IMMEDIATE", "log_event"
        else:
            self._connection = psycopg.connect(os.environ["DAYROLL_DATABASE"], autocommit=True)
            self._connection.execute("CREATE TABLE raw_event (LIKE log_event INCLUDING ALL)")
            self._insert = f"INSERT INTO raw_event VALUES ({', '.join(['%s'] * len(EventRecord._fields))})"
            self._begin, self._table = "BEGIN", "raw_event"
        self._cursor = self._connection.cursor()

    def empty(self) -> None:
        """Take out what the round before put in."""
        self._cursor.execute(f"DELETE FROM {self._table}")

    def insert(self, rows: Sequence[tuple[Any, ...]]) -> None:
        """Rows in one transaction."""
        self._cursor.execute(self._begin)
        if len(rows) == 1:
            self._cursor.execute(self._insert, rows[0])
        else:
            self._cursor.executemany(self._insert, rows)
        self._cursor.execute("COMMIT")

    def fill(self) -> None:
        """The same events as the log."""
        self.empty()
        self.insert(_raw_rows(scan(using="default")))

    def read(self) -> int:
        """Read and decode all events."""
        count = 0
        for row in self._cursor.execute(f"SELECT * FROM {self._table} ORDER BY position"):
            json.loads(row[5])
            count += 1
        return count


def _values(sql: str) -> list[Any]:
    with connection.cursor() as cursor:
        cursor.execute(sql)
        return [value for (value,) in cursor.fetchall()]


def _raw_rows(lines: Iterator[EventRecord]) -> list[tuple[Any, ...]]:
    adapt = connection.ops.adapt_datetimefield_value
    return [(*line[:7], adapt(line.said_at), adapt(line.happened_at), *line[9:]) for line in lines]


class Node:
    """Reports a run as a node does: in order, each column once, a segment of 50 columns in so many reports."""

    def __init__(self) -> None:
        self._seq = 0
        self._next_segment = 0

    def report(self, count: int, reports_a_segment: int = 1) -> list[ColumnsPrinted]:
        """The next entries of its journal."""
        parts = ((number, part) for number in itertools.count(self._next_segment) for part in range(reports_a_segment))
        entries = [self._entry(*one, reports_a_segment) for one in itertools.islice(parts, count)]
        self._next_segment += count // reports_a_segment
        return entries

    def _entry(self, number: int, part: int, parts: int) -> ColumnsPrinted:
        self._seq += 1
        done, first = ((part + 1) * 50 // parts, number * 50 + part * 50 // parts)
        return ColumnsPrinted(
            seq=self._seq,
            at=at(number * 50 + done + 0.123),
            run="spring",
            segment=number,
            columns=Columns(first=first, end=number * 50 + done),
            columns_done=done,
            paper_position=first,
            worst_miss_s=0.0123,
        )


def _typical(*works: Callable[[], object], times: int) -> list[float]:
    """Seconds of each work, done in turns: the fastest tenth, which whatever else the machine does disturbs least."""
    seconds: list[list[float]] = [[] for _ in works]
    for _ in range(times):
        for index, work in enumerate(works):
            started = time.perf_counter()
            work()
            seconds[index].append(time.perf_counter() - started)
    return [sorted(one)[times // 10] for one in seconds]


def appending(raw: Raw, node: Node, name: str, batch: int, times: int) -> dict[str, Any]:
    """The store alone: such events, without the folding of views."""
    with patch.object(projector, "VIEWS", ()):
        first = last_position()
        append([Append("machine/left", None, node.report(batch * times))], by())
        rows = _raw_rows(scan(after=first, using="default"))
        raw.empty()
        raw_parts = iter([rows[start : start + batch] for start in range(0, len(rows), batch)])
        ours_parts = iter([node.report(batch) for _ in range(times)])
        baseline, ours = _typical(
            lambda: raw.insert(next(raw_parts)),
            lambda: append([Append("machine/left", None, next(ours_parts))], by()),
            times=times,
        )
    return {"name": name, "baseline": baseline, "ours": ours, "goal": 0.3}


def command(raw: Raw, node: Node) -> dict[str, Any]:
    """A node's report of one segment, taken as a command with the views folded."""
    reports = iter([read_batch(Reports(epoch=1, entries=(entry,)).as_json()) for entry in node.report(ONES)])
    rows = iter(_raw_rows(scan(after=last_position() - ONES, using="default")))
    raw.empty()
    baseline, ours = _typical(lambda: raw.insert([next(rows)]), lambda: take("left", next(reports), by()), times=ONES)
    return {"name": "command-one", "baseline": baseline, "ours": ours, "goal": 0.1}


def folds(raw: Raw) -> list[dict[str, Any]]:
    """Every view from the first event: its rows in memory, as for a question about the past; and the whole rebuild."""
    raw.fill()
    tables = [table for view in VIEWS for table in view.tables]
    baseline, fold, again = _typical(
        raw.read, lambda: folded(tables, Q(), using="default"), lambda: rebuild(swap=False), times=5
    )
    events = last_position()
    return [
        {"name": name, "baseline": baseline / events, "ours": ours / events, "goal": goal}
        for name, ours, goal in (("fold", fold, 0.3), ("rebuild", again, 0.02))
    ]


def run_state() -> dict[str, Any]:
    """A run with very many events."""
    line = next(scan(after=last_position() - 1, using="default"))._replace(run="long")
    for start in range(1, EVENTS_OF_A_RUN, 10_000):
        insert(
            (
                line._replace(position=line.position + start + index, version=line.version + start + index)
                for index in range(10_000)
            ),
            using="default",
        )
    say("run/long", run())
    say("run/long", segments(*range(2 * PAGE)))

    def newest_page() -> object:
        return list(models.Event.objects.filter(run="long").order_by("-position")[:PAGE])

    def state() -> object:
        return models.Run.objects.get(id="long"), list(
            models.Segment.objects.filter(run_id="long").order_by("-number")[:PAGE]
        )

    baseline, ours = _typical(newest_page, state, times=30)
    return {"name": "run-state", "baseline": baseline, "ours": ours, "goal": 0.1}


def main() -> None:
    """Measure everything, smallest log first."""
    call_command("migrate", verbosity=0, skip_checks=True)
    a_run_on_a_machine(end_column=SEGMENTS * COLUMNS_PER_SEGMENT)
    for start in range(0, SEGMENTS, SEGMENTS_A_TURN):
        say("run/spring", segments(*range(start, start + SEGMENTS_A_TURN)))
    raw, node = Raw(), Node()
    results = [appending(raw, node, "append-one", 1, ONES), appending(raw, node, "append-batch", BATCH, BATCHES)]
    rebuild()
    results.append(command(raw, node))
    append([Append("machine/left", None, node.report(REPORTS_OF_PARTS, REPORTS_A_SEGMENT))], by())
    results += [*folds(raw), run_state()]
    json.dump(results, sys.stdout)


if __name__ == "__main__":
    main()
