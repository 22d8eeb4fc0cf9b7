"""Mistakes made on purpose in the node are found beside the model of the server, the quickest of them;
`python -m tests.modelled.biting` tries all."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

from server.demo.processes import ROOT
from tests.modelled.scenario import draw
from tests.modelled.wrongs import WRONGS

# What is perhaps on the paper, the paper, a server put back, who the board is, what another one laid, a person.
TRIED = ("orders-forgotten", "plate-turned", "not-sent-again", "fence-not-kept", "paper-forgotten", "resumes-by-itself")


# Drawn for every change.
HOURS = [draw(seed) for seed in range(1, 400)]


def test_what_is_wrong_on_purpose_is_found_within_its_number_of_hours(tmp_path: Path) -> None:
    file = tmp_path / "biting.json"
    command = [sys.executable, "-m", "tests.modelled.biting", "--only", *TRIED, "--workers", "1", "--file", str(file)]
    done = subprocess.run(command, cwd=ROOT, env=os.environ, capture_output=True, text=True, timeout=900, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    bites = json.loads(file.read_text())
    assert {bite["name"] for bite in bites if bite["found"]} == set(TRIED)
    assert all(bite["played"] <= WRONGS[bite["name"]].within for bite in bites)


def test_every_mistake_has_hours_that_can_show_it() -> None:
    assert all(next(wrong.scenarios()) in HOURS for wrong in WRONGS.values())
