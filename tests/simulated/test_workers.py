"""Work that is spread over processes."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.simulated.workers import spread

GIVEN: list[str] = []


def begins(folder: Path, given: str) -> None:
    assert folder.is_dir()
    GIVEN.append(given)


def begins_not(folder: Path, given: str) -> None:
    raise ValueError(f"nothing can be done with {given}")


def done(task: int) -> tuple[str, int]:
    return GIVEN[0], 2 * task


def test_each_task_is_done_by_a_process_that_has_begun() -> None:
    assert sorted(spread("test", 2, begins, ("all",), done, range(4), chunk=2)) == [("all", 2 * n) for n in range(4)]


def test_what_keeps_a_process_from_beginning_is_said() -> None:
    with pytest.raises(RuntimeError, match="nothing can be done with it"):
        list(spread("test", 1, begins_not, ("it",), done, range(4)))
