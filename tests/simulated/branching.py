"""`make branches`: the power of node or server goes at every place of every prefix, and of its restart once more.

Writes `var/branches.json`, whatever happens. Ends with 1 where a branch broke.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Iterator
from itertools import product
from pathlib import Path
from typing import Any, get_args

from server.demo.processes import ROOT
from tests.simulated.forks import Branch, Who, branches, warm_up
from tests.simulated.lane import Stand, make_stand
from tests.simulated.prefixes import Prefix, prefixes
from tests.simulated.workers import spread

FILE = ROOT / "var" / "branches.json"
# At so many places of each restart the power goes once more.
PAIRS = 3

Task = tuple[Prefix, Who, int]
_STANDS: list[Stand] = []


def main() -> int:
    """Play what was asked for."""
    parser = argparse.ArgumentParser(prog="make branches", description=__doc__)
    parser.add_argument("--prefixes", type=int, nargs="*", metavar="NUMBER", help="these only (default: all)")
    parser.add_argument("--pairs", type=int, default=PAIRS, help=f"places of a restart (default {PAIRS})")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="prefixes at a time")
    parser.add_argument("--file", type=Path, default=FILE, help="where to write what was found")
    options = parser.parse_args()
    chosen = [one for one in prefixes() if not options.prefixes or one.scenario.seed in options.prefixes]
    tasks = [(prefix, who, options.pairs) for prefix, who in product(chosen, get_args(Who))]
    began, played, broken = time.monotonic(), 0, list[str]()
    try:
        for number, (prefix, who, found) in enumerate(play_all(tasks, options.workers), 1):
            played += len(found)
            broken += [str(branch) for branch in found if branch.problems]
            _tell(f"[{number:3}/{len(tasks)}]", prefix, who, found)
    finally:  # also of a series that is broken off
        took_s = time.monotonic() - began
        told: dict[str, Any] = {"branches": played, "broken": broken, "took_s": round(took_s, 1)}
        told["per_hour"] = {"branches": round(played / took_s * 3600.0)}
        options.file.parent.mkdir(parents=True, exist_ok=True)
        options.file.write_text(json.dumps(told, indent=2) + "\n")
    rate = f"{told['per_hour']['branches']} an hour"
    _say(f"\n{played - len(broken)} of {played} branches kept, {rate}; {options.file}")
    return 1 if broken or not played else 0


def play_all(tasks: list[Task], workers: int) -> Iterator[tuple[Prefix, Who, list[Branch]]]:
    """Play prefixes with all their branches, several at a time; each as soon as it is played."""
    return spread("branches", workers, _begin, (), _work, tasks)


def _tell(number: str, prefix: Prefix, who: Who, found: list[Branch]) -> None:
    bad = [branch for branch in found if branch.problems]
    verdict = f"BROKEN {len(bad)}" if bad else "kept"
    scenario = prefix.scenario
    _say(f"{number} prefix {scenario.seed:<3} {who:6} {len(found):4} branches  {verdict:10} {scenario}")
    for branch in bad[:3]:
        _say(f"        {branch}")


def _begin(folder: Path) -> None:
    """This process is a worker's."""
    _STANDS.append(make_stand(folder))
    first = next(prefixes())
    warm_up(_STANDS[0], first.scenario, first.from_h)


def _work(task: Task) -> tuple[Prefix, Who, list[Branch]]:
    prefix, who, pairs = task
    try:
        return prefix, who, list(branches(_STANDS[0], prefix.scenario, prefix.from_h, who, pairs=pairs))
    except Exception as error:  # noqa: BLE001 - whatever it is, the others are played all the same
        broken = Branch(prefix=prefix.scenario, who=who, places=(), problems=[f"not played: {error}"], took_s=0.0)
        return prefix, who, [broken]


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
