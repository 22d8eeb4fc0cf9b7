"""The model says what the server says: both are asked the same in the same instants, and a node sees no difference."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from typing import Any

import pytest

from server.demo.processes import ROOT
from tests.faults.scenario import draw
from tests.modelled.truth import WRONGS

# A server put back, built anew and killed; a board cloned, and one enrolled again; words, shifts and closed hours.
SEEDS = (3, 22, 23, 58, 67)
TRIED = {"server-restored", "server-rebuilt", "server-killed", "node-cloned", "board-again", "word-in-replay", "closed"}


def compared(*arguments: str) -> dict[str, Any]:
    command = [sys.executable, "-m", "tests.modelled.truth", *arguments]
    done = subprocess.run(command, cwd=ROOT, env=os.environ, capture_output=True, text=True, timeout=900, check=False)
    assert done.stdout, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    assert done.returncode == (1 if found["differences"] else 0)
    return found


def test_a_node_sees_no_difference_between_the_model_and_the_server() -> None:
    assert set[str]().union(*(draw(seed).has for seed in SEEDS)) >= TRIED
    found = compared("--only", *map(str, SEEDS))
    assert found["differences"] == []
    answers = found["compared"]
    assert answers["node/reports 200"] > 100
    assert answers["node/work 200"] > 20
    assert answers["node/work 304"] > 100
    assert answers["node/reports 409"] >= 1
    assert answers["node/reports 401"] >= 1
    assert answers["node/enrol 200"] > len(SEEDS)


@pytest.mark.parametrize("wrong", WRONGS)
def test_a_model_that_says_something_else_is_seen(wrong: str) -> None:
    assert compared("--only", "67", "--wrong", wrong)["differences"]
