"""A short draw of the attack against a real server; and that its table tells a broken promise from a kept one."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.attack.matrix import is_right
from tests.attack.row import Row, percentile, report, table

ROOT = Path(__file__).resolve().parents[2]
KINDS = 17


def test_a_short_draw_finds_every_door_closed(tmp_path: Path) -> None:
    """Without the promises of time, which `make attack` keeps on a computer that does nothing else."""
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
    ],
)
def test_the_matrix_tells_a_closed_door_from_an_open_one(
    name: str, who: str, is_known: bool, status: int, right: bool
) -> None:
    assert is_right(name, who, is_known, status) is right
