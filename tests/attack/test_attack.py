"""A short draw of the attack against a real server; and that its table tells a broken promise from a kept one."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from socket import create_server, socket
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest

from scheduling.background.extend_plans import PLANNER
from scheduling.background.watch_silence import WATCH
from server.api.pagination import encode
from tests.attack.crowd import Drips
from tests.attack.matrix import is_right
from tests.attack.remote import LOOPBACK, Answer
from tests.attack.row import Row, percentile, report, table
from tests.attack.storms import ALL_TAKEN, STORMS, Storm, judge
from tests.attack.target import last_position, written_since
from tests.server.studio import Caller

ROOT = Path(__file__).resolve().parents[2]
KINDS = 18
FEW_FILES = 64


def test_a_short_draw_finds_every_door_closed(tmp_path: Path) -> None:
    """Short are the storms and the files; the matrix of roles is played whole. The promises of time are left out, which
    `make attack` keeps on a computer that does nothing else."""
    command = [sys.executable, "-m", "tests.attack", "--short", "--untimed", "--out", str(tmp_path / "attack.json")]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=900.0, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    told = json.loads((tmp_path / "attack.json").read_text())
    assert (told["wrongly_allowed"], told["server_errors"], told["holds"]) == (0, 0, True)
    assert len(told["rows"]) == KINDS and all(row["tried"] for row in told["rows"])
    assert "0 wrongly allowed" in done.stdout


def test_a_row_holds_when_all_was_refused_in_time() -> None:
    row = Row("doors", most_s=0.5, worst_s=2.0)
    for _ in range(98):
        row.answered(403, 0.1, "knock")
    row.answered(403, 0.4, "knock")
    assert row.holds and report([row], [1.0])["holds"]
    assert "holds" in table([row]) and "BROKEN" not in table([row])


@pytest.mark.parametrize("status", [0, 500, 502, 504])
def test_no_answer_and_a_mistake_of_the_server_break_it(status: int) -> None:
    row = Row("doors")
    row.answered(status, 0.1, "knock")
    assert not row.holds and report([row], [])["server_errors"] == 1
    assert f"knock: {status or 'no answer'}" in table([row])


def test_what_was_wrongly_allowed_breaks_it() -> None:
    row = Row("doors", tried=1, wrong=["opened"])
    assert not row.holds
    assert (report([row], [])["wrongly_allowed"], report([row], [])["holds"]) == (1, False)
    assert "doors: opened" in table([row])


def test_nothing_tried_is_nothing_shown() -> None:
    assert not Row("doors").holds
    assert "nothing was tried" in table([Row("doors")])


def test_who_is_late_breaks_a_promise_of_time() -> None:
    row = Row("doors", most_s=0.5)
    row.answered(200, 0.6, "slow")
    assert row.late == ["99 of 100 within 0.60 s, promised are 0.5"] and not row.holds
    row = Row("doors", worst_s=0.5)
    row.answered(200, 0.1, "quick")
    assert row.holds
    row.answered(200, 0.6, "slow")
    assert row.late == ["slow took 0.60 s, promised are 0.5"] and not row.holds


def test_many_broken_ones_are_told_shortly() -> None:
    assert "and 95 more" in table([Row("doors", tried=100, wrong=["open"] * 100)])


def test_percentiles() -> None:
    values = [float(value) for value in range(100)]
    assert (percentile(values, 0.5), percentile(values, 0.99), percentile([], 0.99)) == (50.0, 99.0, 0.0)
    assert percentile([1.0], 0.99) == 1.0


@pytest.mark.parametrize(
    ("name", "who", "is_known", "status", "right"),
    [
        ("venues", "nobody", True, 401, True),
        ("venues", "garbage", True, 429, True),
        ("venues", "nobody", True, 200, False),
        ("venues", "revoked", True, 200, False),
        ("venues", "node of wren-1", True, 403, True),
        ("venues", "node of wren-1", True, 200, False),
        ("node-work", "studio", True, 403, True),
        ("node-work", "studio", True, 200, False),
        ("node-work", "node of wren-1", True, 200, True),
        ("node-work", "nobody", True, 200, False),
        ("plate", "node of wren-1", True, 200, True),
        ("plate", "reader", True, 200, True),
        ("plate", "nobody", True, 200, False),
        ("venues", "reader", True, 403, False),
        ("venues", "reader", False, 405, True),
        ("venues", "reader", False, 200, False),
        ("keys", "studio", True, 200, True),
        ("keys", "reader", True, 403, True),
        ("keys", "curator", True, 200, False),
        ("venue-calendar", "nobody", True, 200, True),
        ("venue-calendar", "nobody", True, 401, False),
        ("venue-calendar", "nobody", False, 405, True),
        ("venue-calendar", "nobody", False, 429, True),
        ("venue-calendar", "nobody", False, 200, False),
        ("node-enrol", "reader", False, 201, False),
    ],
)
def test_the_matrix_tells_a_closed_door_from_an_open_one(
    name: str, who: str, is_known: bool, status: int, right: bool
) -> None:
    assert is_right(name, who, is_known, status) is right


class Log(Caller):
    """Somebody to whom the log of a server is shown, some events a page."""

    A_PAGE = 2

    def __init__(self, *events: tuple[str, str]) -> None:
        super().__init__()
        self.events = list(events)

    def get(self, path: str, **_: str) -> Any:
        (cursor,) = parse_qs(urlsplit(path).query)["cursor"]
        after = next(place for place in range(len(self.events) + 1) if encode(place) == cursor)
        end = after + self.A_PAGE
        rows = [
            {"position": place, "stream": "machine/wren-1", "kind": kind, "actor": actor}
            for place, (kind, actor) in enumerate(self.events[after:end], after + 1)
        ]
        told = {"results": rows, "next": encode(end) if end < len(self.events) else None}
        return Answer(200, {}, json.dumps(told).encode(), 0.0)  # type: ignore[arg-type]


def test_what_others_wrote_since_is_found_however_long_the_log_is() -> None:
    log = Log(*[("segments-planned", PLANNER), ("venue-added", "key:1")] * 5)
    before = last_position(log)
    assert (before, written_since(log, before)) == (10, [])
    log.events += [("segments-planned", PLANNER), ("silence-began", WATCH), ("reports-refused", "node:wren-1")]
    assert written_since(log, before) == []
    log.events += [("venue-added", "key:1"), ("segments-planned", PLANNER)]
    assert written_since(log, before) == ["venue-added in machine/wren-1 by key:1"]
    assert last_position(Log()) == 0


def told(dripping: int = 0, **statuses: int) -> dict[str, Any]:
    return {"statuses": statuses, "slowest_s": 0.1, "most_dripping": dripping}


def test_a_storm_that_was_none_breaks_its_row() -> None:
    drips, all_taken = Storm("drips", drips=200), Storm("more drips", drips=1200, takes_all=True)
    for storm, crowd, said, errors in (
        (drips, told(200), "", []),
        (drips, told(199), "", ["199 connections dripped at once, promised were 200"]),
        (all_taken, told(1200), f"all 1000 {ALL_TAKEN}", []),
        (all_taken, told(1200), "", ["the server did not say that all connections were taken"]),
        (Storm("readers", readers=1), told(0, **{"200": 3, "429": 2}), "", []),
        (Storm("readers", readers=1), told(0, **{"0": 1}), "", ["1 readers were answered 0"]),
    ):
        row = Row(storm.what)
        judge(row, storm, crowd, said)
        assert (row.errors, row.figures["most_dripping"]) == (errors, crowd["most_dripping"])
    assert [storm.takes_all for storm in STORMS] == [False] * (len(STORMS) - 1) + [True]


def test_connections_that_were_open_are_counted() -> None:
    with create_server((LOOPBACK, 0)) as server:
        dripping = Drips(server.getsockname()[1], 3)
        dripping.once()
        dripping.on(until=0.0)
    assert dripping.most_open == 3
    with socket() as deaf:
        deaf.bind((LOOPBACK, 0))  # nobody else may listen there, and nobody does
        nowhere = Drips(deaf.getsockname()[1], 3)
        nowhere.once()
    assert nowhere.most_open == 0


def test_a_crowd_may_open_more_files_than_a_program_usually_may() -> None:
    with create_server((LOOPBACK, 0), backlog=2 * FEW_FILES) as server:
        crowd = f"{sys.executable} -m tests.attack.crowd {server.getsockname()[1]} 0 1 0 {2 * FEW_FILES}"
        done = subprocess.run(
            ["sh", "-c", f"ulimit -S -n {FEW_FILES}; {crowd}"], cwd=ROOT, capture_output=True, check=True
        )
    assert json.loads(done.stdout.splitlines()[-1])["most_dripping"] == 2 * FEW_FILES
