"""A short draw of simulated worlds, and that the same seed gives the same bytes. `make simulate` is the long one."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

from server.demo.processes import ROOT
from tests.faults.covering import covering
from tests.faults.kinds import KINDS
from tests.faults.options import POLICIES, PROFILES
from tests.faults.scenario import draw

# Enough for ten of them to have everything.
SEEDS = range(1, 5000)
# Seeds that broke once, each by what it found.
BROKE = {
    7: "what came with an instant that cannot be is taken as when it was told, and the judge has to know",
}


def played(arguments: list[str], file: Path, hash_seed: int) -> tuple[dict[str, Any], str]:
    """What a series found, in a process of its own; and what it said."""
    command = [sys.executable, "-m", "tests.simulated", *arguments, "--file", str(file)]
    environment = os.environ | {"PYTHONHASHSEED": str(hash_seed)}
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=900, check=False)
    assert file.exists(), done.stderr
    return json.loads(file.read_text()), done.stdout


def test_the_same_seed_gives_the_same_bytes_in_another_process_with_other_hashes(tmp_path: Path) -> None:
    arguments = ["--scenarios", "3", "--seed", "20", "--workers", "1"]
    (first, _), (second, _) = (
        played(arguments, tmp_path / f"{hash_seed}.json", hash_seed) for hash_seed in (1, 4_000_000_000)
    )
    assert first["digests"] == second["digests"]
    for digests in first["digests"].values():
        assert set(digests) == {"log", "journal", "ledger", "network"}
    assert len({digests["log"] for digests in first["digests"].values()}) == 3


def test_every_kind_of_fault_leaves_the_promises_kept(tmp_path: Path) -> None:
    wanted = {*KINDS, *PROFILES, *POLICIES}
    seeds = sorted({*covering(SEEDS, wanted), *BROKE})
    assert wanted <= set().union(*(draw(seed).has for seed in seeds))
    found, said = played(["--only", *map(str, seeds)], tmp_path / "found.json", 1)
    assert found["scenarios"] == len(seeds)
    assert not found["broken"], said
    assert found["columns"]["printed"] > 100 * len(seeds) / 2
    assert found["relay_struck"], "the network did strike"
