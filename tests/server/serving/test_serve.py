"""`dayroll serve` as a process: from an empty folder to planned segments, and down again without a loss."""

from __future__ import annotations

import json
import signal
import sqlite3
import time
from pathlib import Path
from typing import Any

import pytest
import urllib3

from tests.server.processes import PATIENCE_S, process, run, wait_for_line
from tests.server.studio import IN_ORDER
from tests.services import free_port


def ask(address: str, method: str, path: str, key: str = "", body: Any = None) -> tuple[int, Any]:
    headers = {"Authorization": f"Bearer {key}"} if key else {}
    answer = urllib3.request(method, address + path, headers=headers, json=body, timeout=20.0, retries=False)
    kind = answer.headers.get("Content-Type", "")
    return answer.status, json.loads(answer.data) if "json" in kind else answer.data


def test_from_an_empty_folder_to_planned_segments(tmp_path: Path) -> None:
    environment = {
        "DAYROLL_HOME": str(tmp_path / "home"),
        "DAYROLL_HORIZON_H": "2",
        "DAYROLL_EXTEND_EVERY_S": "1",
        "DAYROLL_SILENT_AFTER_S": "6",  # so it says twice a second that it listens
    }
    log, database = tmp_path / "log", tmp_path / "home" / "dayroll.sqlite3"
    with process(["-m", "server", "serve", "--port", "0"], environment, log) as server:
        address = wait_for_line(server, log, "Dayroll is at").split()[-1]
        since, said_at = _listens(database)
        assert ask(address, "GET", "livez") == (200, b"live\n")
        assert ask(address, "GET", "readyz") == (200, b"ready\n")
        key = run(["studio-key", "serve-test"], environment).stdout.strip()
        begins, ends = time.time() + 60, time.time() + 7200
        for resource, body in IN_ORDER:
            if resource == "runs":
                body = body | {"starts_at": _instant(begins), "ends_at": _instant(ends)}
            status, answer = ask(address, "POST", f"api/v1/{resource}", key, body)
            assert status == 201, answer
        wait_for_line(server, log, "job extend-plans: ")
        status, page = ask(address, "GET", "api/v1/runs/spring/segments", key)
        assert status == 200 and page["results"]
        assert b"Quay House" in ask(address, "GET", "")[1]
        assert ask(address, "GET", "static/console/console.css")[0] == 200
        server.send_signal(signal.SIGTERM)
        assert server.wait(PATIENCE_S) == 0
    assert "Traceback" not in log.read_text()
    assert _listens(database)[1] > said_at >= since, "it went on saying so"
    with sqlite3.connect(database) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def _listens(database: Path) -> tuple[str, str]:
    """Since when it listens, and when it said so last."""
    with sqlite3.connect(database) as connection:
        query = "SELECT expected_since, done_at FROM log_ownwork WHERE name = 'listen'"
        found: tuple[str, str] = connection.execute(query).fetchone()
    return found


def _instant(posix: float) -> str:
    return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(posix))


def test_in_a_fleet_it_neither_migrates_nor_runs_jobs(tmp_path: Path) -> None:
    environment = {"DAYROLL_HOME": str(tmp_path / "home"), "DAYROLL_EXTEND_EVERY_S": "1", "DAYROLL_WATCH_EVERY_S": "1"}
    log = tmp_path / "log"
    with process(["-m", "server", "serve", "--port", "0", "--web-only"], environment, log) as server:
        address = wait_for_line(server, log, "Dayroll is at").split()[-1]
        status, said = ask(address, "GET", "readyz")
        assert status == 503 and b"migrations are waiting" in said
        time.sleep(2.5)  # each job would have been due by now, and would have failed
    assert "job" not in log.read_text()


@pytest.mark.parametrize(
    ("option", "said"),
    [
        ("--threads=1", "1 threads: give 2 to 256, as one is left for what is light"),
        ("--threads=257", "257 threads: give 2 to 256"),
        ("--nodes-threads=0", "0 threads: give 1 to 256"),
    ],
)
def test_threads_that_cannot_be_are_named(tmp_path: Path, option: str, said: str) -> None:
    answer = run(["serve", option], {"DAYROLL_HOME": str(tmp_path / "home")})
    assert answer.returncode == 2
    assert said in answer.stderr and "Traceback" not in answer.stderr


def test_a_port_that_is_taken_is_named(tmp_path: Path) -> None:
    environment = {"DAYROLL_HOME": str(tmp_path / "home")}
    log, port = tmp_path / "log", str(free_port())
    with process(["-m", "server", "serve", "--port", port], environment, log) as server:
        wait_for_line(server, log, "Dayroll is at")
        second = run(["serve", "--port", port], environment)
    assert second.returncode == 1
    assert f"cannot listen on 127.0.0.1 port {port}" in second.stderr
    assert "--port 0 takes a free one" in second.stderr
    assert "Traceback" not in second.stderr


@pytest.mark.parametrize("port", ["-1", "65536", "http"])
def test_a_port_that_is_none_is_named(tmp_path: Path, port: str) -> None:
    answer = run(["serve", f"--port={port}"], {"DAYROLL_HOME": str(tmp_path / "home")})
    assert answer.returncode == 2
    assert "argument --port:" in answer.stderr and "Traceback" not in answer.stderr


def test_an_address_that_is_not_ours_is_named(tmp_path: Path) -> None:
    answer = run(["serve", "--host=192.0.2.1", "--port=0"], {"DAYROLL_HOME": str(tmp_path / "home")})
    assert answer.returncode == 1
    assert "cannot listen on 192.0.2.1 port 0" in answer.stderr and "Traceback" not in answer.stderr
