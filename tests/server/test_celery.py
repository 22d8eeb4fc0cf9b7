"""The fleet's background work: a real worker, a real beat and a real Redis, as processes."""

from __future__ import annotations

import re
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from django.conf import settings

from server import jobs
from server.celery import app
from tests.server.processes import PATIENCE_S, Gone, process, wait_for_line

FURNISH = """
import django
django.setup()
from datetime import datetime, timedelta, UTC
from django.core.management import call_command
from machines.serialization import structure
from scheduling.log.models import Heartbeat, Machine
from scheduling.log.store import Attribution
from scheduling.commands.handlers import handle
from server.api.resources import RESOURCES
from tests.server.studio import IN_ORDER

call_command("migrate", verbosity=0)
now = datetime.now(UTC)
by = Attribution(actor="test", request=None, said_at=now)
commands = {f"{one.name}s": one.command for one in RESOURCES}
for resource, body in IN_ORDER:
    if resource == "runs":
        body = body | {
            "starts_at": (now - timedelta(hours=1)).isoformat(), "ends_at": (now + timedelta(hours=1)).isoformat(),
            "begins_in_the_past": True,
        }
    handle(structure(body, commands[resource]), by)
Heartbeat.objects.create(machine_id="wren-1", heard_at=now - timedelta(hours=2), status={})
"""


def test_the_schedule_names_tasks_that_exist_and_every_job_is_one() -> None:
    app.loader.import_default_modules()
    scheduled = {entry["task"]: entry["schedule"] for entry in app.conf.beat_schedule.values()}
    assert scheduled == {job.name: job.period_s for job in (*jobs.DRAWING, *jobs.WATCHING, *jobs.SENDING)}
    assert scheduled.keys() <= app.tasks.keys()


def test_what_nobody_began_in_time_is_void_and_lost_plates_may_wait_for_those_that_draw() -> None:
    """A drawer is at it for a minute and a plate; in five there is one that has time."""
    expires = {name: entry["options"]["expires"] for name, entry in app.conf.beat_schedule.items()}
    assert expires == settings.OWN_WORK_EVERY_S | {"redraw-plates": 300.0, "take-snapshots": 300.0}
    assert expires["redraw-plates"] > 2 * (jobs.DRAW_FOR_S + 60.0)


def test_the_settings_lose_no_task() -> None:
    conf = app.conf
    assert conf.task_acks_late and conf.task_reject_on_worker_lost and conf.task_ignore_result
    assert conf.worker_prefetch_multiplier == 1
    assert conf.result_backend is None
    assert conf.task_time_limit < conf.broker_transport_options["visibility_timeout"]


@contextmanager
def fleet(environment: dict[str, str], folder: Path) -> Iterator[None]:
    """A furnished studio, a worker that watches, one that draws, and one beat. The workers come up while the studio is
    furnished; nothing is for them to do before there is a beat."""
    celery = ["-m", "celery", "--app=server.celery"]
    beat = ["beat", "--loglevel=info", f"--schedule={folder / 'schedule'}", f"--pidfile={folder / 'beat.pid'}"]
    worker = ["worker", "--loglevel=info", "--concurrency=1", "--without-gossip", "--without-mingle"]
    logs = {name: folder / f"{name}.log" for name in ("worker", "drawer", "beat", "furnish")}
    with (
        process([*celery, *worker], environment, logs["worker"]) as watching,
        process([*celery, *worker, "--queues=plates"], environment, logs["drawer"]) as drawing,
    ):
        with process(["-c", FURNISH], environment, logs["furnish"]) as furnishing:
            assert furnishing.wait(PATIENCE_S) == 0, logs["furnish"].read_text()
        wait_for_line(watching, logs["worker"], "ready.")
        wait_for_line(drawing, logs["drawer"], "ready.")
        with process([*celery, *beat], environment, logs["beat"]):
            yield


def wait_for_more(log: Path, task: str, times: int) -> None:
    """Wait until a worker has done a task so many times more."""
    done = re.compile(rf"Task {task}\[.*succeeded")
    before, deadline = len(done.findall(log.read_text())), time.monotonic() + PATIENCE_S
    while len(done.findall(log.read_text())) < before + times:
        if time.monotonic() > deadline:
            raise Gone(f"{task}:\n{log.read_text()}")
        time.sleep(0.05)


def wait_for_row(database: Path, query: str) -> object:
    """The first column of a query's first row, once there is one that is not null."""
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        with closing(sqlite3.connect(database, timeout=20)) as connection:
            row = connection.execute(query).fetchone()
        if row is not None and row[0]:
            return row[0]
        time.sleep(0.05)
    raise Gone(query)


@pytest.mark.redis
def test_a_real_worker_and_beat_plan_ahead_and_watch(redis_url: str, tmp_path: Path) -> None:
    environment = {
        "DAYROLL_HOME": str(tmp_path / "home"),
        "DAYROLL_BROKER": redis_url,
        "DAYROLL_HORIZON_H": "2",
        "DAYROLL_EXTEND_EVERY_S": "1",
        "DAYROLL_WATCH_EVERY_S": "1",
        "DJANGO_SETTINGS_MODULE": "server.settings",
    }
    database = tmp_path / "home" / "dayroll.sqlite3"
    with fleet(environment, tmp_path):
        assert wait_for_row(database, "SELECT count(*) FROM log_segment") in (2, 3, 4)
        assert wait_for_row(database, "SELECT silent_since FROM log_machine")
        for task in ("extend-plans", "watch-silence"):  # nothing is planned or said twice
            wait_for_more(tmp_path / "worker.log", task, times=2)
        assert "Task extend-run[" in (tmp_path / "drawer.log").read_text()
        assert "Task extend-run[" not in (tmp_path / "worker.log").read_text()
        # Looked at before it ends: a beat that is told to end while it sends a task says so with a traceback.
        for name in ("worker.log", "drawer.log", "beat.log"):
            assert "Traceback" not in (tmp_path / name).read_text(), name
    with closing(sqlite3.connect(database)) as connection:
        kinds = dict(connection.execute("SELECT kind, count(*) FROM log_event GROUP BY kind").fetchall())
    assert kinds["silence-began"] == 1
    assert kinds["segments-planned"] in (1, 2)
    assert kinds["venue-added"] == 1
