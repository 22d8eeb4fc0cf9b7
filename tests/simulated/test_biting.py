"""Mistakes made on purpose are found, a few of them; `python -m tests.simulated.biting` tries all."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from server.demo.processes import ROOT
from tests.faults.scenario import draw
from tests.simulated.smallest import smallest, with_faults
from tests.simulated.wrongs import WRONGS

# Quick to find, one of each kind: the paper, the log, a person's word, who the board is.
TRIED = ("position-slips", "not-concluded", "word-not-heeded", "fence-not-kept")


def test_what_is_wrong_on_purpose_is_found(tmp_path: Path) -> None:
    file = tmp_path / "biting.json"
    command = [sys.executable, "-m", "tests.simulated.biting", "--only", *TRIED, "--workers", "1", "--file", str(file)]
    done = subprocess.run(command, cwd=ROOT, env=os.environ, capture_output=True, text=True, timeout=900, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert {bite["name"] for bite in json.loads(file.read_text()) if bite["found"]} == set(TRIED)


def test_every_mistake_has_scenarios_that_can_show_it() -> None:
    assert all(next(wrong.scenarios()).seed < 200 for wrong in WRONGS.values())


@pytest.mark.parametrize(
    ("needed", "found"), [({"portal"}, ["portal"]), ({"portal", "card-full"}, ["portal", "card-full"]), (set(), [])]
)
def test_the_smallest_plan_has_the_faults_that_it_takes_and_no_more(needed: set[str], found: list[str]) -> None:
    scenario = next(
        one for one in map(draw, range(1, 50_000)) if {"portal", "card-full"} <= one.kinds and len(one.faults) > 3
    )
    numbers = smallest(scenario, lambda one: needed <= one.kinds)
    assert sorted(with_faults(scenario, numbers).kinds) == sorted(found)
