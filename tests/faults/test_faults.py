"""A short run of faults: a few seeds that together strike in every way, with real servers and boards.

`make faults` is the long one. Nothing here depends on how fast this machine is: what is late is named in a decision.
"""

from __future__ import annotations

import json
from pathlib import Path

from tests.faults.covering import covering
from tests.faults.drawn_changes import draw_all
from tests.faults.kinds import CHANGED, KINDS
from tests.faults.options import HORIZONS, PROFILES
from tests.faults.series import Series, summary

# Enough for ten of them to have everything.
SEEDS = range(1, 5000)


def play(folder: Path, seeds: list[int]) -> Series:
    """Play seeds, two at a time, and hold the summary against them."""
    series = Series(folder, [draw_all(seed) for seed in seeds], min(2, len(seeds)))
    told: list[str] = []
    results = series.play(told.append)
    assert [result.scenario.seed for result in results] == seeds
    found = summary(results, series.log_complaints, 1.0, series.hits)
    assert json.loads(json.dumps(found))["scenarios"] == len(seeds)
    assert not found["broken"], "\n".join(told)
    assert not series.log_complaints
    assert sum(result.columns["printed"] for result in results) > 0, "\n".join(told)
    return series


def test_every_kind_of_fault_leaves_the_promises_kept(tmp_path: Path) -> None:
    wanted = {*KINDS, *CHANGED, *PROFILES, *HORIZONS, "attended", "forgets-among-several"}
    seeds = sorted(covering(SEEDS, wanted, draw_all))
    assert wanted <= set().union(*(draw_all(seed).has for seed in seeds))
    series = play(tmp_path, seeds)
    assert series.hits, "the relay did strike"
