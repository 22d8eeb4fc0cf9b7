"""A short draw of simulated worlds, and that the same seed gives the same bytes. `make simulate` is the long one."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

from server.demo.processes import ROOT
from tests.faults.covering import covering
from tests.faults.kinds import ALL
from tests.faults.options import CYCLES, HORIZONS, POLICIES, PROFILES
from tests.faults.pinned import pinned
from tests.faults.scenario import draw
from tests.simulated.floor import play_all
from tests.simulated.more import draw_more
from tests.simulated.series import FLOOR
from tests.simulated.smallest import Plan

# Enough for some of them to have everything.
SEEDS = range(1, 5000)
# Seeds that broke once as the fault runs have them, for what product, world or judge did not know then. The letters pin
# what each stands for.
BROKE = {
    1: "0798eb534584",
    4: "862e25e32daa",
    7: "bc43c1d32307",
    9: "c1ad22a402c3",
    92: "6a0c47b85b02",
    117: "77b1a3b81139",
    185: "eb90c7a4b6da",
    203: "b14251f75f79",
    267: "a5e2161c6746",
    7052: "156936032591",
    11057: "35b7822e5796",
}
# Seeds that broke with what is more here: the numbers of the faults that it took, and of the neighbours.
BROKE_WITH_MORE: dict[int, tuple[tuple[int, ...], tuple[int, ...], str]] = {
    209: ((1, 4, 5), (), "3cddc89b3bec"),
    610: ((0, 1, 4), (), "ceb164da50ec"),
    2251: ((4,), (), "8f45b384b29d"),
    3521: ((0, 1, 2, 3, 4, 5, 6, 7, 8), (), "f49a0bada744"),
    5150: ((1,), (1,), "36368c3fa107"),
    20236: ((1, 2, 5), (), "a8d9b582da2d"),
    20356: ((0, 1), (), "0168dfaa493b"),
    20391: ((), (1,), "55067ae72cb4"),
    20537: ((0, 1), (), "4b51eadc2cfb"),
    20609: ((1, 4), (), "a5d49e0275e2"),
    20779: ((0, 1, 2), (), "371adb651b95"),
    20834: ((2, 4), (), "5b7a529dfaf7"),
    20869: ((0, 2), (), "67b1b958a04b"),
    40233: ((1, 3, 4), (), "1bb50e8ecc8a"),
    41630: ((0, 1, 4), (), "5a5bcd5b492c"),
    41810: ((0, 2, 3), (), "5f6fe40cbfcf"),
    50144: ((0, 1, 2), (), "74165e2a71d3"),
    51299: ((2, 3, 4), (), "3341c3db684c"),
    56714: ((2, 4), (), "22ed420a0f15"),
    57051: ((1, 2), (), "af2e460c57e6"),
    62409: ((1, 2, 3), (), "fe818d4b2f9d"),
    66132: ((2, 3, 5), (), "2236d302a378"),
    80438: ((3, 4), (), "9b1222d8a411"),
}


def played(arguments: list[str], file: Path, hash_seed: int) -> tuple[dict[str, Any], str]:
    """What a series found, in a process of its own; and what it said."""
    command = [sys.executable, "-m", "tests.simulated", *arguments, "--file", str(file)]
    environment = os.environ | {"PYTHONHASHSEED": str(hash_seed)}
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=900, check=False)
    assert file.exists(), done.stderr
    return json.loads(file.read_text())["simulated"], done.stdout


def test_the_same_seed_gives_the_same_bytes_in_another_process_with_other_hashes(tmp_path: Path) -> None:
    arguments = ["--scenarios", "3", "--seed", "24", "--workers", "1"]
    (first, _), (second, _) = (
        played(arguments, tmp_path / f"{hash_seed}.json", hash_seed) for hash_seed in (1, 4_000_000_000)
    )
    assert first["digests"] == second["digests"]
    for digests in first["digests"].values():
        assert set(digests) == {"log", "journal", "ledger", "network"}
    assert len({digests["log"] for digests in first["digests"].values()}) == 3


def test_every_kind_of_fault_leaves_the_promises_kept(tmp_path: Path) -> None:
    options = {*PROFILES, *POLICIES, *CYCLES, *HORIZONS}
    wanted = {*ALL, *options, "attended", "forgets-among-several", "loses", "planned-late", "quiet"}
    wanted |= {f"said-{name}" for name in POLICIES if name != "by-cause"}
    seeds = covering(SEEDS, wanted, draw_more)
    assert wanted <= set().union(*(draw_more(seed).has for seed in seeds))
    found, said = played(["--only", *map(str, seeds)], tmp_path / "found.json", 1)
    assert found["scenarios"] == len(seeds)
    assert not found["broken"], said
    assert found["columns"]["printed"] > 100 * len(seeds) / 2
    assert found["network_struck"], "the network did strike"


def test_what_broke_once_is_still_what_its_seeds_stand_for() -> None:
    assert {seed: pinned(draw(seed)) for seed in BROKE} == BROKE


def test_what_broke_once_is_kept(tmp_path: Path) -> None:
    found, said = played(["--plain", "--only", *map(str, BROKE)], tmp_path / "found.json", 1)
    assert found["scenarios"] == len(BROKE)
    assert not found["broken"], said


def plans_that_broke() -> dict[int, Plan]:
    """By seed. They broke before there were quiet hours, and before more was said."""
    return {
        seed: Plan(
            drawn=replace(draw_more(seed), quiet=False, armed_h=draw(seed).armed_h, word=""),
            faults=faults,
            beside=beside,
        )
        for seed, (faults, beside, _) in BROKE_WITH_MORE.items()
    }


def test_plans_that_broke_once_are_still_what_they_were() -> None:
    pins = {seed: pin for seed, (_, _, pin) in BROKE_WITH_MORE.items()}
    assert {seed: pinned(plan.scenario) for seed, plan in plans_that_broke().items()} == pins


def test_plans_that_broke_once_are_kept() -> None:
    played_all = [*play_all(FLOOR, [*plans_that_broke().values()], 2)]
    broken = {one.result.scenario.seed: one.result.problems for one in played_all if one.result.problems}
    assert len(played_all) == len(BROKE_WITH_MORE)
    assert not broken
