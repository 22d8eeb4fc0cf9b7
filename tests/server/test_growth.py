"""How much the log grows: events of real turns, planned by the server and reported by a node, as they lie on disk."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from django.db import connection

from machines.protocol.messages import Work
from scheduling.log.event_records import EventRecord
from scheduling.log.events.plans import SegmentsPlanned
from scheduling.log.store import read
from server import jobs
from tests.server.conftest import enrol
from tests.server.studio import IN_ORDER, RUN, Caller, printed

SEGMENTS_PER_TURN = 48
TURNS_PER_YEAR = 365.25


def size_on_disk(file: Path, rows: list[tuple[object, ...]]) -> int:
    """Bytes of the table of events and its indexes alone, in a database of their own."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT sql FROM sqlite_master WHERE tbl_name = 'log_event' AND type <> 'trigger'")
        schema = [sql for (sql,) in cursor.fetchall() if sql is not None]
    copy = sqlite3.connect(file)
    for sql in schema:
        copy.execute(sql)
    copy.executemany(f"INSERT INTO log_event VALUES ({', '.join('?' * len(EventRecord._fields))})", rows)
    copy.commit()
    copy.close()
    return file.stat().st_size


@pytest.mark.django_db
def test_a_machine_makes_some_fourteen_megabytes_a_year(studio: Caller, tmp_path: Path) -> None:
    """At 48 segments a turn, one report a segment and four cuts a turn, with a turn a day."""
    for resource, body in IN_ORDER:
        studio.create(resource, body | {"segments_per_turn": SEGMENTS_PER_TURN} if body is RUN else body)
    jobs.extend()
    node = Caller(str(enrol(studio)["token"]))
    work = Work.from_json(node.get("node/work?horizon=PT72H").json())
    entries = [printed(work, seq) for seq in range(1, len(work.segments) + 1)]
    for entry in entries:
        assert node.post("node/reports", {"epoch": 1, "entries": [entry]}).status_code == 200
    turns = len(work.segments) / SEGMENTS_PER_TURN
    assert turns >= 1
    planned = sum(len(fact.event.segments) for fact in read() if isinstance(fact.event, SegmentsPlanned))
    with connection.cursor() as cursor:
        cursor.execute("SELECT * FROM log_event WHERE kind = 'columns-printed'")
        reports = cursor.fetchall()
        cursor.execute("SELECT * FROM log_event WHERE kind = 'segments-planned'")
        plans = cursor.fetchall()
    empty = size_on_disk(tmp_path / "empty.sqlite3", [])
    a_report = (size_on_disk(tmp_path / "reports.sqlite3", reports) - empty) / len(reports)
    a_plan = (size_on_disk(tmp_path / "plans.sqlite3", plans) - empty) / planned * SEGMENTS_PER_TURN
    # A cut is as large as a report, or less.
    megabytes_a_year = TURNS_PER_YEAR * (a_plan + (SEGMENTS_PER_TURN + 4) * a_report) / 1e6
    # As DEVELOPERS.md says under "An event of the log".
    assert a_report == pytest.approx(525.0, rel=0.05)
    assert a_plan == pytest.approx(11_000.0, rel=0.05)
    assert megabytes_a_year == pytest.approx(14.0, abs=0.5)
