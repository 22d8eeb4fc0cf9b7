"""An agent that ends by itself is a broken promise, whatever it ends with; one that was asked to end is none."""

from __future__ import annotations

import os
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, cast

import pytest

from tests.faults.boards import Board
from tests.faults.program import Program
from tests.faults.scenario import Fault, draw
from tests.faults.series import ended_by_themselves
from tests.faults.stage import Stage

ASKED = """
import signal, time
signal.signal(signal.SIGTERM, lambda *_: exit(0))
print("up", flush=True)
time.sleep(60)
"""


def board_of(folder: Path, script: str) -> Board:
    """One whose agent does what a script says."""
    command = [sys.executable, "-c", script]
    child = Program("agent", command, dict(os.environ), folder / "log", home=folder)
    board = Board(folder, folder, folder, child)
    board.power_on()
    return board


def ended(board: Board) -> None:
    assert board.child.process is not None
    board.child.process.wait()
    board.look()


def complaints(board: Board, kind: str = "node-killed") -> list[str]:
    scenario = replace(draw(1), faults=(Fault(at_h=1.0, kind=kind, lasts_h=1.0),))
    stage = Stage(cast("Any", None), scenario, board.home, "m", datetime(2026, 9, 1, tzinfo=UTC), boards=[board])
    return ended_by_themselves(stage)


@pytest.mark.parametrize("status", [0, 2, 3, 4, 7])
def test_whatever_it_ends_with_is_counted(tmp_path: Path, status: int) -> None:
    board = board_of(tmp_path, f"raise SystemExit({status})")
    ended(board)
    assert complaints(board) == [f"an agent ended by itself with {status}"]


def test_a_fault_of_the_program_is_told_with_its_words(tmp_path: Path) -> None:
    board = board_of(tmp_path, "raise ValueError('lost')")
    assert board.child.process is not None
    board.child.process.wait()
    board.power_off()
    assert complaints(board) == ["the agent broke: ValueError: lost", "an agent ended by itself with 1"]


def test_what_a_fault_has_it_end_with_is_none_of_its_own(tmp_path: Path) -> None:
    board = board_of(tmp_path, "raise SystemExit(4)")
    ended(board)
    assert complaints(board, "node-cloned") == []


def test_one_that_was_asked_to_end_did_not_end_by_itself(tmp_path: Path) -> None:
    board = board_of(tmp_path, ASKED)
    while "up" not in board.said():
        assert board.runs()
    board.power_off(in_order=True)
    assert not board.runs() and complaints(board) == []
