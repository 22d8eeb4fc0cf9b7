"""`make faults N=1000 SEED=1`: seeded scenarios with real processes, each judged from the paper, journal and log.

Writes `var/faults.json`, whatever happens. Ends with 1 where a scenario broke or could not be played.
`--only SEED` plays one scenario and tells its story.
"""

from __future__ import annotations

import argparse
import itertools
import json
import os
import shutil
import sys
import time
from pathlib import Path

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "server.settings")

from server.demo.processes import ROOT
from tests.faults.drawn_changes import draw_all
from tests.faults.kinds import CHANGED, KINDS
from tests.faults.scenario import Scenario, draw
from tests.faults.series import Result, Series, summary

FOLDER = ROOT / "var" / "faults"


def main() -> int:
    """Play what was asked for."""
    parser = argparse.ArgumentParser(prog="make faults", description=__doc__)
    parser.add_argument("--scenarios", type=int, default=20, help="how many (default 20)")
    parser.add_argument("--seed", type=int, default=1, help="of the first; the others follow one by one")
    parser.add_argument("--only", type=int, metavar="SEED", help="play this one and tell its story")
    parser.add_argument("--lanes", type=int, default=2, help="scenarios at a time, each with its own server")
    kinds = KINDS | CHANGED
    without = f"pass over scenarios with one of {', '.join(kinds)}"
    parser.add_argument("--without", nargs="*", default=(), choices=kinds, metavar="KIND", help=without)
    parser.add_argument("--plain", action="store_true", help="leave changes of plans out of what seeds stand for")
    parser.add_argument("--folder", type=Path, default=FOLDER, help="emptied first; broken scenarios stay in it")
    options = parser.parse_args()
    scenarios = choose(options)
    options.folder = options.folder.resolve()
    shutil.rmtree(options.folder, ignore_errors=True)
    began = time.monotonic()
    series = Series(options.folder, scenarios, min(options.lanes, len(scenarios)), tell_all=options.only is not None)
    path = options.folder.with_suffix(".json")
    try:
        series.play(say)
    finally:  # also of a series that is broken off
        found = summary(series.results, series.log_complaints, time.monotonic() - began, series.hits)
        path.write_text(json.dumps(found, indent=2) + "\n")
    return _end(series.results, series.log_complaints, path)


def choose(options: argparse.Namespace) -> list[Scenario]:
    """The scenarios that were asked for."""
    drawn = draw if options.plain else draw_all
    if options.only is not None:
        return [drawn(options.only)]
    kept = (one for one in map(drawn, itertools.count(options.seed)) if not one.kinds & set(options.without))
    return list(itertools.islice(kept, options.scenarios))


def say(text: str) -> None:
    """A line for whoever waits."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def _end(results: list[Result], log_complaints: list[str], path: Path) -> int:
    broken = [result.scenario.seed for result in results if result.problems]
    say(f"\n{len(results) - len(broken)} of {len(results)} scenarios kept; {path}")
    for complaint in log_complaints:
        say(f"  the log: {complaint}")
    if broken:
        say(f"  broken: {broken}; again with  python -m tests.faults --only {broken[0]}")
    return 1 if broken or log_complaints else 0


if __name__ == "__main__":
    sys.exit(main())
