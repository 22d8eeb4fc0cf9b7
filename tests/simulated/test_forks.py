"""Branches of a played prefix, a few of them; `make branches` plays all."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

from server.demo.processes import ROOT
from tests.faults.options import POLICIES, PROFILES
from tests.simulated.prefixes import prefixes


def test_the_prefixes_have_every_rule_on_both_machines_with_one_run_and_with_two() -> None:
    found = {(one.scenario.policy, one.scenario.profile, len(one.scenario.spans_h)) for one in prefixes()}
    assert found == {(policy, profile, runs) for policy in POLICIES for profile in PROFILES for runs in (1, 2)}


def test_wherever_the_power_goes_and_once_more_in_the_restart_the_promises_are_kept(tmp_path: Path) -> None:
    file = tmp_path / "branches.json"
    command = [sys.executable, "-m", "tests.simulated.branching", "--prefixes", "7", "--pairs", "1", "--workers", "1"]
    done = subprocess.run(
        [*command, "--file", str(file)],
        cwd=ROOT,
        env=os.environ,
        capture_output=True,
        text=True,
        timeout=900,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    found = json.loads(file.read_text())
    assert found["broken"] == []
    assert found["branches"] > 60, "before and after each commit, order and cut"
