"""The command line of the server says what to do next, and shows no traceback."""

from __future__ import annotations

from pathlib import Path

from tests.server.processes import run


def test_a_database_that_was_never_set_up_is_named(tmp_path: Path) -> None:
    order = ["sky", "--venue", "shed", "--from", "2026-10-24", "--to", "2026-10-25"]
    done = run(order, {"DAYROLL_HOME": str(tmp_path)})
    assert done.returncode == 1
    assert "If it was never set up: dayroll migrate" in done.stderr
    assert "Traceback" not in done.stderr
