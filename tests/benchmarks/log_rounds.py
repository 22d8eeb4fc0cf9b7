"""The measurements of `tests.benchmarks.log` on the database that the environment names, as JSON on standard output."""
# ruff: noqa: E402 (Django wants to be set up before models are imported)

from __future__ import annotations

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

django.setup()

from machines.recovery import Columns
from machines.wire import ColumnsPrinted, Reports
from scheduling.log import folding, models
from scheduling.log.lines import Line, insert, scan
from scheduling.log.rebuild import rebuild
from scheduling.log.store import Append, append, last_position
from scheduling.reports import take
from tests.scheduling.log.facts import a_run_on_a_machine, at, by, run, say, segments

ONES = 200
BATCH = 100
BATCHES = 40
SEGMENTS = 1500
REPORTS_A_SEGMENT = 4
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
            self._insert = f"INSERT INTO log_event VALUES ({', '.join('?' * len(Line._fields))})"
            self._begin, self._table = "BEGIN IMMEDIATE", "log_event"
        else:
            self._connection = psycopg.connect(os.environ["DAYROLL_DATABASE"], autocommit=True)
            self._connection.execute("CREATE TABLE raw_event (LIKE log_event INCLUDING ALL)")
            self._insert = f"INSERT INTO raw_event VALUES ({', '.join(['%s'] * len(Line._fields))})"
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


def _raw_rows(lines: Iterator[Line]) -> list[tuple[Any, ...]]:
    adapt = connection.ops.adapt_datetimefield_value
    return [(*line[:7], adapt(line.said_at), adapt(line.happened_at), *line[9:]) for line in lines]


def _entries(count: int, first_seq: int, first_segment: int = 0, reports: int = 1) -> list[ColumnsPrinted]:
    """Reports of a run in order, so many for each segment of 50 columns."""
    size, entries = 50 // reports, []
    for index in range(count):
        segment, part = divmod(index, reports)
        segment += first_segment
        first = segment * 50 + part * size
        end = first + size if part < reports - 1 else (segment + 1) * 50
        entries.append(
            ColumnsPrinted(
                seq=first_seq + index,
                at=at(end + 0.123),
                run="spring",
                segment=segment,
                columns=Columns(first=first, end=end),
                columns_done=end - segment * 50,
                paper_position=first,
                worst_miss_s=0.0123,
            )
        )
    return entries


def _typical(*works: Callable[[], object], times: int) -> list[float]:
    """Seconds of each work, done in turns: the fastest tenth, which whatever else the machine does disturbs least."""
    seconds: list[list[float]] = [[] for _ in works]
    for _ in range(times):
        for index, work in enumerate(works):
            started = time.perf_counter()
            work()
            seconds[index].append(time.perf_counter() - started)
    return [sorted(one)[times // 10] for one in seconds]


def appending(raw: Raw, name: str, batch: int, times: int) -> dict[str, Any]:
    """The store alone: the same events, without the folding of views."""
    entries = _entries(batch * times, 1)
    parts = [entries[start : start + batch] for start in range(0, len(entries), batch)]
    with patch.object(folding, "VIEWS", ()):
        first = last_position()
        append([Append("machine/left", None, entries)], by())
        rows = _raw_rows(scan(after=first, using="default"))
        raw.empty()
        raw_parts = iter([rows[start : start + batch] for start in range(0, len(rows), batch)])
        ours_parts = iter(parts)
        baseline, ours = _typical(
            lambda: raw.insert(next(raw_parts)),
            lambda: append([Append("machine/left", None, next(ours_parts))], by()),
            times=times,
        )
    return {"name": name, "baseline": baseline, "ours": ours, "goal": 0.3}


def command(raw: Raw) -> dict[str, Any]:
    """A node's report of one segment, taken as a command with the views folded."""
    accepted = models.Machine.objects.get(id="left").accepted_through
    reports = iter([Reports(epoch=1, entries=(entry,)) for entry in _entries(ONES, accepted + 1)])
    rows = iter(_raw_rows(scan(after=last_position() - ONES, using="default")))
    raw.empty()
    baseline, ours = _typical(lambda: raw.insert([next(rows)]), lambda: take("left", next(reports), by()), times=ONES)
    return {"name": "command-one", "baseline": baseline, "ours": ours, "goal": 0.1}


def folds(raw: Raw) -> dict[str, Any]:
    """Every view from the first event."""
    raw.fill()
    baseline, ours = _typical(raw.read, lambda: rebuild(swap=False), times=4)
    events = last_position()
    return {"name": "fold", "baseline": baseline / events, "ours": ours / events, "goal": 0.3}


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
    a_run_on_a_machine()
    raw = Raw()
    results = [appending(raw, "append-one", 1, ONES), appending(raw, "append-batch", BATCH, BATCHES)]
    for start in range(0, SEGMENTS, 48):
        say("run/spring", segments(*range(start, min(start + 48, SEGMENTS))))
    results.append(command(raw))
    accepted = models.Machine.objects.get(id="left").accepted_through
    entries = _entries((SEGMENTS - 500) * REPORTS_A_SEGMENT, accepted + 1, first_segment=500, reports=REPORTS_A_SEGMENT)
    for start in range(0, len(entries), 1000):
        append([Append("machine/left", None, entries[start : start + 1000])], by())
    results += [folds(raw), run_state()]
    json.dump(results, sys.stdout)


if __name__ == "__main__":
    main()
