"""`make modelled N=100000 SEED=1`: seeded hours of a node beside a model of the server, judged as the fault runs are.

The node is the real one, under virtual time; the same seed gives the same bytes. What was found is put into
`var/simulate.json`, whatever happens. Ends with 1 where a scenario broke or could not be played; each is told with the
command that plays it again, with no more faults than it takes. `--only SEED` plays some again and tells their stories.
`--wrong NAME` puts a mistake of `tests/modelled/wrongs.py` in place of the right code.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections import Counter
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from server.demo.processes import ROOT
from tests.faults.scenario import Scenario
from tests.faults.series import line, story
from tests.modelled.scenario import draw
from tests.modelled.series import Played, play_all
from tests.modelled.wrongs import WRONGS
from tests.simulated.smallest import with_faults

FILE = ROOT / "var" / "simulate.json"
NAME = "modelled"
# A line for so many scenarios, and one for each that broke.
TOLD_EVERY = 1000


def main() -> int:
    """Play what was asked for."""
    options = _parser().parse_args()
    scenarios = choose(options)
    began, summary = time.monotonic(), Summary()
    try:
        for one in play_all(scenarios, min(options.workers, len(scenarios)), options.wrong):
            summary.add(one)
            _tell(one, f"{summary.count}/{len(scenarios)}", whole=options.only is not None)
    finally:  # also of a series that is broken off
        found = summary.told(time.monotonic() - began)
        _write(options.file, found)
    said = f"{found['scenarios'] - len(found['broken'])} of {found['scenarios']} hours kept"
    rate = f"{found['scenarios_an_hour']} an hour, {found['processor_ms']['mean']:.0f} ms of a processor each"
    _say(f"\n{said}, {rate}; {options.file}")
    for again in found["again"]:
        _say(f"  again with  {again}")
    return 1 if found["broken"] else 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="make modelled", description=__doc__)
    parser.add_argument("--scenarios", type=int, default=1000, help="how many (default 1000)")
    parser.add_argument("--seed", type=int, default=1, help="of the first; the others follow one by one")
    parser.add_argument("--only", type=int, nargs="+", metavar="SEED", help="play these and tell their stories")
    parser.add_argument("--faults", type=int, nargs="*", metavar="NUMBER", help="of --only, these faults only, from 0")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="scenarios at a time")
    parser.add_argument("--wrong", choices=WRONGS, help="a mistake to be found")
    parser.add_argument("--file", type=Path, default=FILE, help="where to put what was found")
    return parser


def choose(options: argparse.Namespace) -> list[Scenario]:
    """The scenarios that were asked for."""
    if options.only is None:
        return [draw(seed) for seed in range(options.seed, options.seed + options.scenarios)]
    chosen = [draw(seed) for seed in options.only]
    return chosen if options.faults is None else [with_faults(one, options.faults) for one in chosen]


class Summary:
    """What a series has come to so far; of what was kept, no more than numbers."""

    def __init__(self) -> None:
        self.count, self.processor_s = 0, 0.0
        self.broken, self.problems, self.again = list[int](), dict[int, list[str]](), list[str]()
        self.faults, self.columns, self.hits = Counter[str](), Counter[str](), Counter[str]()
        self.digests = dict[int, dict[str, str]]()

    def add(self, played: Played) -> None:
        """One more."""
        scenario = played.result.scenario
        self.count += 1
        self.processor_s += played.processor_s
        self.faults.update(fault.kind for fault in scenario.faults)
        self.columns.update(played.result.columns)
        self.hits.update(played.hits)
        if self.count <= TOLD_EVERY:
            self.digests[scenario.seed] = played.digests
        if played.result.problems:
            self.broken.append(scenario.seed)
            self.problems[scenario.seed] = played.result.problems
            self.again.append(played.again)

    def told(self, took_s: float) -> dict[str, Any]:
        """The contents of the file."""
        return {
            "scenarios": self.count,
            "broken": sorted(self.broken),
            "problems": {str(seed): problems for seed, problems in sorted(self.problems.items())},
            "again": sorted(self.again),
            "faults": dict(sorted(self.faults.items())),
            "network_struck": dict(sorted(self.hits.items())),
            "columns": dict(self.columns),
            "digests": {str(seed): digests for seed, digests in sorted(self.digests.items())},
            "took_s": round(took_s, 1),
            "processor_ms": {"mean": round(1000.0 * self.processor_s / max(1, self.count), 1)},
            "scenarios_an_hour": round(self.count / took_s * 3600.0),
        }


def _write(file: Path, found: dict[str, Any]) -> None:
    """Beside what others have put there."""
    file.parent.mkdir(parents=True, exist_ok=True)
    there = json.loads(file.read_text()) if file.exists() else {}
    file.write_text(json.dumps(there | {NAME: found}, indent=2) + "\n")


def _tell(played: Played, number: str, *, whole: bool) -> None:
    broke = bool(played.result.problems)
    if broke or whole or int(number.partition("/")[0]) % TOLD_EVERY == 0:
        _say(line(played.result, number))
    if broke or whole:
        _say(story(played.result))


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
