"""Mistakes made on purpose are found, a few of them; `python -m tests.simulated.biting` tries all."""

from __future__ import annotations

import itertools
import json
import os
import subprocess
import sys
from pathlib import Path

from server.demo.processes import ROOT
from tests.simulated.wrongs import WRONGS, Wrong

# Quick to find, one of each kind: the paper, who the board is, the time, what was told, a person's word,
# a run that was taken back.
TRIED = (
    "position-slips",
    "fence-not-kept",
    "step-believed",
    "last-taken-twice",
    "word-not-handed-out",
    "withdrawn-offered",
)


def test_what_is_wrong_on_purpose_is_found(tmp_path: Path) -> None:
    file = tmp_path / "biting.json"
    command = [sys.executable, "-m", "tests.simulated.biting", "--only", *TRIED, "--workers", "1", "--file", str(file)]
    done = subprocess.run(command, cwd=ROOT, env=os.environ, capture_output=True, text=True, timeout=900, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert {bite["name"] for bite in json.loads(file.read_text()) if bite["found"]} == set(TRIED)


def test_every_mistake_has_scenarios_that_can_show_it() -> None:
    few = [name for name, wrong in WRONGS.items() if _seed_of(wrong, min(wrong.within, 5)) > 5000]
    assert few == []


def _seed_of(wrong: Wrong, number: int) -> int:
    """The seed of one of the first scenarios that can show it."""
    return next(itertools.islice(wrong.scenarios(), number - 1, None)).seed


def test_there_are_some_twenty_of_node_and_server_each_with_a_number_within_which_it_is_found() -> None:
    assert len(WRONGS) >= 20
    assert all(1 <= wrong.within <= 60 for wrong in WRONGS.values())


def test_a_mistake_of_two_halves_breaks_what_a_command_plays_with_it(tmp_path: Path) -> None:
    file = tmp_path / "found.json"
    asked = ["--plain", "--only", "1", "--wrong", "sent-is-taken"]
    command = [sys.executable, "-m", "tests.simulated", *asked, "--workers", "1", "--file", str(file)]
    done = subprocess.run(command, cwd=ROOT, env=os.environ, capture_output=True, text=True, timeout=900, check=False)
    assert done.returncode == 1, done.stdout + done.stderr
    assert done.stdout.endswith(
        "again with  python -m tests.simulated --only 1 --faults 1 --plain --wrong sent-is-taken\n"
    )
    assert json.loads(file.read_text())["simulated"]["broken"] == [1]
