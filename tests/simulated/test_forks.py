"""Branches of a played prefix, a few of them; `make branches` plays all."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import Counter
from itertools import combinations, product
from pathlib import Path

from server.demo.processes import ROOT
from tests.faults.options import POLICIES
from tests.simulated.prefixes import prefixes


def test_the_prefixes_have_every_rule_on_every_head_and_cadence_with_one_run_and_with_two() -> None:
    scenarios = [prefix.scenario for prefix in prefixes()]
    assert len(scenarios) == 70
    assert [scenario.seed for scenario in scenarios] == list(range(1, 71))
    for number, policy in enumerate(POLICIES):
        found = Counter((one.profile, len(one.spans_h)) for one in scenarios if one.policy == policy)
        crossed = ("stride", "glide")[number % 2]
        assert found == {("crawl", 1): 1, ("crawl", 2): 1, ("burst", 1): 1, ("burst", 2): 1, (crossed, 1): 1}


def test_each_option_of_the_prefixes_comes_with_each_of_the_others() -> None:
    """Pairs: of what is chosen freely, every two values come together in some prefix."""
    scenarios = [prefix.scenario for prefix in prefixes()]
    values: dict[str, tuple[object, ...]] = {
        "policy": tuple(POLICIES),
        "profile": ("crawl", "burst", "stride", "glide"),
        "horizon": ("PT24H", "PT2H"),
        "attended": (False, True),
        "cycle": ("mean-solar-day", "apparent-solar-day", "sidereal-day", "lunar-day"),
    }
    found = {
        (one, other): {(getattr(each, one), getattr(each, other)) for each in scenarios}
        for one, other in combinations(values, 2)
    }
    plain = {policy for policy in POLICIES if policy not in ("shift", "shift-again", "shift-abandon")}
    for (one, other), pairs in found.items():
        wanted = set(product(plain if one == "policy" else values[one], values[other]))
        missing = wanted - pairs
        if (one, other) == ("policy", "profile"):  # by turns: the test above has them
            missing = {pair for pair in missing if pair[1] in ("crawl", "burst")}
        assert not missing, (one, other, sorted(map(str, missing)))
    assert {each.cycle for each in scenarios if each.policy not in plain} == {"period"}


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
